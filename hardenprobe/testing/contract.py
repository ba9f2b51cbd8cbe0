"""The contract of a check, as a list of complaints: what it says of itself, what it imports, what it says of hostile data."""

from __future__ import annotations

import ast
import inspect
import re
import sys
import types
import typing
from collections.abc import Iterable, Iterator
from dataclasses import MISSING, fields, is_dataclass
from enum import Enum
from itertools import islice
from pathlib import Path
from typing import Any

from hardenprobe.checking.check import Check, Outcome
from hardenprobe.errors import ContractBroken, TimeLimitExceeded, blame, clip
from hardenprobe.model import Observation, Remedy, State, Word
from hardenprobe.plugins.contract import hold_check, hold_outcomes, hold_together
from hardenprobe.plugins.time_limit import limited
from hardenprobe.standards.ccss import score
from hardenprobe.testing.builders import HOSTILE, at, seen_device, tcp_port

NETWORK = frozenset(
    {
        "socket",
        "asyncio",
        "ssl",
        "scapy",
        "pysnmp",
        "sslyze",
        "httpx",
        "httpcore",
        "random",
        "time",
        "subprocess",
    }
)
"""Modules that a judge has no business with: it is a pure function of what was seen."""
_CONTROL = re.compile(r"[A-Z]{2}-\d{1,2}(\(\d{1,2}\))?")
_TRIED = 24  # records that are invented of each kind of facts
_ENOUGH = 2.0  # seconds of processor time for one judgement; a scan gives more


def complaints(check: Check[Any], settings: Any = None) -> list[str]:
    """All that a check breaks of its contract; empty where nothing is wrong.

    It is read, and judges nothing, silence, refusal, and hostile records of the facts that it reads, each twice.

    Args:
        settings: What a baseline decides for it; made without arguments by default.
    """
    try:
        hold_check(check)
    except ValueError as exc:
        return [str(exc)]
    found = [*_declared(check), *_imports(check)]
    if settings is None:
        needed = [
            f.name for f in fields(check.settings) if f.default is MISSING and f.default_factory is MISSING
        ]
        if needed:
            return [
                *found,
                f"its settings have no default for {', '.join(needed)}; give `settings` to try its judge",
            ]
        settings = check.settings()
    return [*found, *_judges(check, settings)]


def _declared(check: Check[Any]) -> Iterator[str]:
    for heading, text in check.sections.items():
        if not text:
            yield f"its docstring says nothing under {heading or 'the title'!r}"
    stated, word = check.sections["Reach"], str(check.reach or "none")
    if not stated.startswith(word):
        yield f"its docstring begins Reach with {clip(stated, 30)}, and its reach is {word}"
    for name, vector in check.vectors.items():
        if score(vector).base <= 0:
            yield f"vector {name or vector!r} scores 0"
    for field in fields(Remedy):
        if field.name not in ("after", "general") and not getattr(check.remedy, field.name):
            yield f"its remedy {check.remedy.id} has no {field.name}"
    if not check.controls:
        yield "it names no control of NIST SP 800-53"
    for control in check.controls:
        if not _CONTROL.fullmatch(control):
            yield f"control {control!r} is not written as NIST SP 800-53 writes it, such as SC-8 or AC-17(2)"


def _imports(check: Check[Any]) -> Iterator[str]:
    """What the judge's module imports at its top; a probe beside it belongs in a module of its own."""
    module = sys.modules.get(check.judge.__module__)
    try:
        tree = ast.parse(inspect.getsource(module)) if module else ast.Module([], [])
    except (OSError, TypeError):  # it has no source, as in a terminal
        return
    named: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            named |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            named |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    for name in sorted(named):
        if name.partition(".")[0] in NETWORK:
            yield f"its module imports {name}: a judge has no network, no clock and no chance"
        elif name.startswith(("hardenprobe.probes", "hardenprobe.network.link", "hardenprobe.checks")):
            yield f"its module imports {name}: a check knows no probe, no line and no other check"


def _judges(check: Check[Any], settings: Any) -> Iterator[str]:
    alive = tcp_port(80, State.REFUSING)
    for what, seen in (("nothing at all", ()), ("silence alone", (tcp_port(80, State.SILENT),))):
        outcomes = _outcomes(check, settings, seen)
        if isinstance(outcomes, str):
            yield f"given {what}, {outcomes}"
            continue
        for outcome in outcomes:
            if outcome.word in (Word.PASS, Word.FAIL) and check.reach is not None:
                yield f"given {what}, it says {outcome.word}; what was not seen is unknown"
    told: set[str] = set()
    # What an inventory declares is checked where it is read, and comes from no device.
    for kind in (kind for kind in check.reads if not kind.kind.startswith("declared-")):
        for facts in islice(invented(kind), _TRIED):
            outcomes = _outcomes(check, settings, (alive, at(80, facts)))
            if isinstance(outcomes, str) and outcomes not in told:
                told.add(outcomes)
                yield f"given {clip(facts, 120)}, {outcomes}"


def _outcomes(check: Check[Any], settings: Any, seen: Iterable[Observation[Any]]) -> list[Outcome] | str:
    """What a check says of some observations, or what is wrong with that."""
    device = seen_device(*seen)
    known = {one.id for one in device.observations}
    try:
        with limited(_ENOUGH):
            first = hold_outcomes(check, check.judge(device, settings))
            second = hold_outcomes(check, check.judge(seen_device(*device.observations), settings))
        hold_together(first)
    except ContractBroken as exc:
        return str(exc)
    except (Exception, SystemExit, TimeLimitExceeded) as exc:  # noqa: BLE001 - somebody's check may raise anything
        code = getattr(check.judge, "__code__", None)
        place = blame(exc, str(Path(code.co_filename).parent)) if code else ""
        return f"it raises {type(exc).__name__}: {clip(str(exc), 120)}{place}"
    if first != second:
        return "it says different things the second time; a judge is a pure function"
    if not first:
        return "it says nothing; unknown is the least that it can say"
    for outcome in first:
        if strange := set(outcome.proof) - known:
            return f"it names as proof {clip(min(strange))}, which is no observation of the device"
        if outcome.word in (Word.PASS, Word.FAIL) and not outcome.proof:
            return f"it says {outcome.word} and names no observation as proof"
    return first


def invented(kind: type[Any]) -> Iterator[Any]:
    """Records of a kind of facts: each field in turn holds what a device may send in bad faith."""
    hints = typing.get_type_hints(kind)
    plain = {f.name: _values(hints[f.name])[0] for f in fields(kind) if f.init}
    try:
        yield kind(**plain)
        for name in plain:
            for value in _values(hints[name])[1:]:
                yield kind(**{**plain, name: value})
    except (TypeError, ValueError):  # a record that checks itself
        return


def _values(hint: Any) -> list[Any]:
    """Values of a type, the plainest first."""
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        return [value for one in inner for value in _values(one)]
    if origin is typing.Literal:
        return list(inner)
    if origin is tuple:
        some = _values(inner[0]) if inner else [""]
        return (
            [(), (some[0],), tuple(some[-3:]) * 20]
            if len(inner) == 2 and inner[1] is ...
            else [tuple(_values(i)[0] for i in inner)]
        )
    if origin is dict:
        keys, values = _values(inner[0]), _values(inner[1])
        return [{}, {keys[-1]: values[-1]}, {keys[0]: values[0]}]
    if hint is type(None):
        return [None]
    if isinstance(hint, type) and issubclass(hint, Enum):
        return list(hint)
    if isinstance(hint, type) and is_dataclass(hint):
        return list(islice(invented(hint), 3))
    known: dict[Any, list[Any]] = {
        str: ["", *HOSTILE, "x" * 5000, "\ud800"],
        bytes: [b"", b"\xff\x00" * 500],
        int: [0, -1, 2**31, 10**30],
        float: [0.0, -1.0, float("inf")],
        bool: [False, True],
    }
    return known.get(hint, [None])
