"""Controls that people answer for, since no scan can see them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Literal

from hardenprobe.model.yaml_file import load_yaml, parse

Method = Literal["examine", "interview", "test"]
METHODS: tuple[Method, ...] = ("examine", "interview", "test")
"""The assessment methods of NIST SP 800-53A."""


@dataclass(frozen=True, kw_only=True)
class Control:
    """One question to people.

    Attributes:
        question: In plain words; "yes" is the answer that is hoped for.
        controls: NIST SP 800-53 Rev. 5 control ids.
        method: How it is best found out.
    """

    id: str
    question: str
    controls: tuple[str, ...]
    method: Method


@dataclass(frozen=True, kw_only=True)
class ControlsFile:
    """A file of controls, key for key."""

    controls: str
    title: str
    dated: str
    sources: tuple[str, ...]
    ask: tuple[Control, ...]


@cache
def shipped() -> Mapping[str, Control]:
    """Every control that comes with hardenprobe, by id.

    Raises:
        FileInvalid: A file breaks its format, or an id is repeated.
    """
    found: dict[str, Control] = {}
    for path in sorted(Path(str(files("hardenprobe.baselines"))).glob("controls-*.yaml")):
        document = load_yaml(path)
        for at, control in enumerate(parse(document, ControlsFile).ask):
            if control.id in found:
                raise document.fault(("ask", at, "id"), f"the control {control.id!r} is repeated")
            found[control.id] = control
    return found
