"""The files that results rest on: of every baseline that may be chosen, and of the rule sets."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from hardenprobe.baseline.baseline import Baseline
from hardenprobe.baseline.selection import Choice, Expectations
from hardenprobe.model import InputFile
from hardenprobe.standards import rule_files


def files_of(expected: Expectations) -> tuple[InputFile, ...]:
    """Each baseline with those that it extends, its own file first, and every rule set.

    Raises:
        FileInvalid: One cannot be read any more.
    """
    baselines: Iterable[Baseline] = ()
    if isinstance(expected, Choice):
        baselines = expected.baselines.values()
    elif isinstance(expected, Baseline):
        baselines = (expected,)
    found = [
        InputFile.read("baseline", Path(name), one.hash)
        for one in baselines
        for name in (one.document.file, *one.extends)
    ]
    found += [InputFile.read("rule-set", path) for path in rule_files.shipped().values()]
    return tuple({(one.used.sha256, one.used.name, one.used.of): one for one in found}.values())
