"""What must be done before a device may leave the fleet, and who says of each point that it is done; from options or a file.

Method words are those of NIST SP 800-88 Rev. 1, section 2.5: clear, purge, destroy.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import date
from pathlib import Path
from typing import Any

from hardenprobe.decisions.inputs import InputError, day, sentence
from hardenprobe.errors import clip
from hardenprobe.model.yaml_file import load_yaml, parse

FORMAT = "hardenprobe.retirement/1"
METHODS = ("clear", "purge", "destroy")
SERIAL = re.compile(r"(0[xX])?[0-9a-fA-F]+([ :][0-9a-fA-F]+)*")


@dataclass(frozen=True, kw_only=True)
class Point:
    """One thing that must be done.

    Attributes:
        extra: What must be said beside who, when and what shows it.
    """

    title: str
    extra: str | None = None


POINTS: Mapping[str, Point] = {
    "storage": Point(title="storage sanitised (clear, purge or destroy)", extra="method"),
    "certificate": Point(title="certificate revoked", extra="serial"),
    "allow_lists": Point(title="address taken out of lists of admitted sources"),
    "monitoring": Point(title="taken out of monitoring"),
    "accounts": Point(title="its accounts removed, on it and elsewhere"),
}


@dataclass(frozen=True, kw_only=True)
class Answer:
    """Who did one thing, when, and what shows it; or why there is nothing to do. Empty where not stated.

    Attributes:
        when: Day, ISO 8601.
        method: Of `storage` alone.
        serial: Of `certificate` alone.
    """

    by: str = ""
    when: str = ""
    evidence: str = ""
    not_applicable: str = ""
    method: str = ""
    serial: str = ""

    def lacks(self, extra: str | None) -> list[str]:
        """The keys that are still to be said."""
        if self.not_applicable:
            return []
        return [key for key in ("by", "when", "evidence", extra) if key and not getattr(self, key)]


@dataclass(frozen=True, kw_only=True)
class Answers:
    """All answers; a file of them, key for key.

    Attributes:
        device: Whom they are about: one file is not taken for another device.
        by: Who takes it out of the fleet.
    """

    retirement: str = FORMAT
    device: str = ""
    by: str = ""
    reason: str = ""
    storage: Answer = field(default_factory=Answer)
    certificate: Answer = field(default_factory=Answer)
    allow_lists: Answer = field(default_factory=Answer)
    monitoring: Answer = field(default_factory=Answer)
    accounts: Answer = field(default_factory=Answer)

    def missing(self) -> list[str]:
        """Points without an answer, one line each; empty where all have one."""
        said = [f"{key}: missing" for key in ("by", "reason") if not getattr(self, key)]
        for name, point in POINTS.items():
            if lacks := getattr(self, name).lacks(point.extra):
                said.append(f"{name}: {point.title}; {', '.join(lacks)} not said, nor not_applicable")
        return said


def from_file(path: Path, names: Iterable[str], today: date) -> Answers:
    """Read answers.

    Args:
        names: What the device may be called.

    Raises:
        FileInvalid: With file, line and how to fix it.
    """
    document = load_yaml(path)
    if document.data.get("retirement") != FORMAT:
        raise document.fault(
            ("retirement",), f"retirement is {document.data.get('retirement')!r}, expected {FORMAT!r}"
        )
    given = parse(document, Answers)
    if given.device not in names:
        raise document.fault(
            ("device",),
            f"the answers are about {given.device!r}, which is not how the device to retire is called",
        )
    try:
        return checked(given, today)
    except AnswerProblem as exc:
        raise document.fault(exc.spot, f"{'.'.join(exc.spot)}: {exc.message}") from None


class AnswerProblem(InputError):
    """One thing of some answers is wrong.

    Attributes:
        spot: Point and key.
    """

    def __init__(self, spot: tuple[str, ...], message: str) -> None:
        super().__init__(spot[-1], message)
        self.spot = spot

    def __reduce__(self) -> Any:
        return type(self), (self.spot, self.message)


def checked(given: Answers, today: date) -> Answers:
    """Answers with every text on one line; what is empty stays so.

    Raises:
        Misplaced: A value means nothing, or contradicts another.
    """
    points: dict[str, Any] = {name: _checked(name, getattr(given, name), today) for name in POINTS}
    plain: dict[str, Any] = {key: _line((key,), getattr(given, key)) for key in ("by", "reason")}
    return replace(given, **plain, **points)


def _checked(name: str, given: Answer, today: date) -> Answer:
    said = {one.name: _line((name, one.name), getattr(given, one.name)) for one in fields(Answer)}
    if said["not_applicable"]:
        other = next((key for key, text in said.items() if text and key != "not_applicable"), None)
        if other:
            raise AnswerProblem((name, other), "is said beside not_applicable; leave one of them out")
    for key in ("method", "serial"):
        if said[key] and POINTS[name].extra != key:
            raise AnswerProblem((name, key), f"does not belong to {name}; leave it out")
    if said["method"] and said["method"] not in METHODS:
        raise AnswerProblem(
            (name, "method"),
            f"is {said['method']!r}; in the words of NIST SP 800-88 it is {', '.join(METHODS)}",
        )
    if said["serial"] and not SERIAL.fullmatch(said["serial"]):
        raise AnswerProblem(
            (name, "serial"), f"is {clip(said['serial'])}; write the serial in hex digits, such as 0A:1B"
        )
    if said["when"]:
        try:
            when = day("when", said["when"])
        except InputError as exc:
            raise AnswerProblem((name, "when"), exc.message) from None
        if when > today:
            raise AnswerProblem((name, "when"), f"{when} is still to come; say what is done")
    return Answer(**said)


def _line(spot: tuple[str, ...], text: str) -> str:
    try:
        return sentence(spot[-1], text) if text.strip() else ""
    except InputError as exc:
        raise AnswerProblem(spot, exc.message) from None


def from_options(
    given: Mapping[str, str | None], not_applicable: Iterable[str], device: str, today: date
) -> Answers:
    """Make answers of options: of each point what shows it, and one person and one day for all of them.

    Args:
        given: by, when, reason, method, serial, and what shows each point under its name.
        not_applicable: POINT=WHY.

    Raises:
        Wrong: Names the option that is wrong.
    """
    by, when = given.get("by") or "", given.get("when") or today.isoformat()
    why: dict[str, str] = {}
    for text in not_applicable:
        name, found, words = text.partition("=")
        name = name.strip().replace("-", "_")
        if name not in POINTS or not found or not words.strip():
            known = ", ".join(one.replace("_", "-") for one in POINTS)
            raise InputError("not_applicable", f"{text!r} is not POINT=WHY; the points are {known}")
        why[name] = words
    points: dict[str, Any] = {}
    for name, point in POINTS.items():
        shown = given.get(name) or ""
        extra = {point.extra: given.get(point.extra) or ""} if point.extra else {}
        if name in why:
            points[name] = Answer(not_applicable=why[name], evidence=shown, **extra)
        elif shown or any(extra.values()):
            points[name] = Answer(by=by, when=when, evidence=shown, **extra)
    answers = Answers(device=device, by=by, reason=given.get("reason") or "", **points)
    try:
        return checked(answers, today)
    except AnswerProblem as exc:
        key = exc.spot[0] if exc.key == "evidence" else exc.key
        raise InputError(key, exc.message) from None
