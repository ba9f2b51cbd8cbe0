"""What a baseline decides, value by value, each with the place that it came from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, is_dataclass
from typing import Any

from hardenprobe.baseline.baseline import Baseline
from hardenprobe.model.yaml_file import Spot
from hardenprobe.standards.rule_files import shipped_baselines

OURS, CHECKS = "hardenprobe's default", "the check's default"


@dataclass(frozen=True, kw_only=True)
class DecidedValue:
    """One value.

    Attributes:
        key: Its keys joined by dots, as in the file.
        where: File and line; a shipped file without its folder. Or whose default it is.
    """

    key: str
    value: Any
    where: str


def decided(found: Baseline) -> Iterator[DecidedValue]:
    """Every key of the file, then every setting of every check that it selects."""
    for field in fields(found.file):
        if field.name != "expect":
            key = field.metadata.get("alias", field.name)
            yield from _parts(found, (key,), getattr(found.file, field.name), OURS)
    for check, settings in sorted(found.settings.items()):
        yield from _parts(found, ("expect", check), settings, CHECKS)


def _parts(found: Baseline, spot: Spot, value: Any, default: str) -> Iterator[DecidedValue]:
    if is_dataclass(value):
        for field in fields(value):
            yield from _parts(found, (*spot, field.name), getattr(value, field.name), default)
    else:
        yield DecidedValue(key=".".join(map(str, spot)), value=value, where=place(found, spot) or default)


def place(found: Baseline, spot: Spot) -> str | None:
    """File and line of a key, None where it is not in a file."""
    where = found.document.place(spot)
    if where is None:
        return None
    file, _, line = where.rpartition(":")
    known = {str(path): path.name for path in shipped_baselines().values()}
    return f"{known.get(file, file)}:{line}"
