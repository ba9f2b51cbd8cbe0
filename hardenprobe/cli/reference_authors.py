"""The page for authors of checks: what a check and a probe are made of, what they may use, and how they are tested."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable, Iterator
from dataclasses import fields, is_dataclass
from enum import Enum, StrEnum
from functools import cached_property
from typing import Any

import hardenprobe
from hardenprobe import testing
from hardenprobe.checking import absence, check
from hardenprobe.cli import CAUTION
from hardenprobe.demo_lab import declarations  # noqa: F401 - fills the table of services
from hardenprobe.demo_lab.service import Service
from hardenprobe.model import REASONS, Endpoint, Observation, Reach, Reason, Remedy, State, Word
from hardenprobe.network.link import Answer, DeviceLink
from hardenprobe.network.stream import Stream
from hardenprobe.plugins import sources, time_limit
from hardenprobe.probes.base import PortGreeting, Probe, ProbeContext
from hardenprobe.probes.question import question
from hardenprobe.scanning.engine import PLUGGED_SECONDS
from hardenprobe.testing import devices

_FIXTURES = ("lab_device", "replay", "holds_contract")
Table = Callable[[type[Any]], Iterator[str]]
_START = """
```
hardenprobe checks new ident-answers           two files: a check and its test
hardenprobe checks new ident-answers --probe   the same with a probe in the check's file
hardenprobe checks new ident-answers --package a package to install, with a service of the lab
python -m pytest ident-answers
hardenprobe checks try ident-answers/ident_answers.py --device lab:RP-0101
hardenprobe scan TARGET --checks-from ident-answers
```

A check is a pure function from what was seen of one device to outcomes. What probes can see already is in
[observations](observations.md); a check that reads those kinds needs no probe. Import from `hardenprobe`, `hardenprobe.facts` and
`hardenprobe.testing`; nothing else is promised. For a type checker install editable packages with
`--config-settings editable_mode=compat`. `ruff check FOLDER` and `mypy --strict FOLDER` read a folder as it is written."""
_RULES = """
- A judge says at least one thing, and the same thing every time: no network, no clock, no chance, no global state.
- One outcome for each place and subject; no fail beside a pass of the device as a whole. What was not seen is unknown.
- A place is address, transport, port, server name and path, so two paths of a URL are two places; the protocol is no part of it.
  What could not be obtained is missing at the port, whatever the path.
- A pass and a fail name the observations that prove them; the functions below do so.
- A kind of facts that could not be obtained at a place makes the result there `error` or `unknown` without the judge's doing;
  name in `identifies` what only tells which protocol a port speaks, and say `inapplicable` where the inventory alone decides.
- The reach is the furthest of the probes that it reads. A check that names a gentler one is refused (`notchecked`).
- `hardenprobe checks try FILE` holds a check to all of this, also against hostile records of the facts that it reads.
"""
_SETTINGS = """
What somebody could disagree with is a field of a frozen dataclass, named as `settings` of the `Check`; the judge gets it as its
second argument. A baseline sets it under `expect: {CHECK: {field: value}}`; a field with a default needs no line there. Texts,
numbers, booleans, tuples, literals and dataclasses of these can be read; an unknown key is refused with its line.
"""
_LEAVES = """
| it leaves | and its kinds of facts are |
|---|---|
| `Unreachable` | unknown, `silent` or `dropped` |
| `MalformedReply` | unknown, `inconclusive` |
| `CeilingReached`, or its time is used up | unknown, `ceiling` |
| anything else, a refusal to speak among it | error, `crashed`, with the file and line |

What was yielded before stays. `with asked.trying(name, kinds, port):` around each port keeps a fault to that port."""


def page(table: Table, note: str) -> Iterator[str]:
    """The lines of the page.

    Args:
        table: Writes the fields of a record.
        note: That the page is written from the code.
    """
    yield from ("# For authors of checks", "", note, "", f"> {CAUTION}", *_START.splitlines())
    yield from ("", "## A check", *_RULES.splitlines(), *_record(check.Check, table))
    yield from ("", "### Settings", *_SETTINGS.splitlines())
    yield from _record(check.DeviceView, table)
    yield from _record(check.Outcome, table)
    yield from _record(Remedy, table)
    yield from (*_record(Observation, table), *_record(Endpoint, table))
    for words in (Word, Reason, State, Reach):
        yield from _members(words)
    said = (check.fail, check.passed, check.unknown, check.note, check.inapplicable)
    for function in (*said, absence.off_tcp, absence.off_udp, absence.no_service):
        yield from _function(function)
    yield from ("", "## A probe", "", "A probe asks in one protocol through its line, and has no opinion.")
    yield from _function(question)
    yield "`checks new NAME --package` writes a probe that says more than one thing, with a service of the lab that answers it."
    for record in (Probe, ProbeContext, PortGreeting, Answer):
        yield from _record(record, table)
    yield from (*_record(DeviceLink), *_record(Stream))
    yield from ("", "### What a probe may leave to others", *_LEAVES.splitlines())
    yield from ("", "### Limits", "", *_limits())
    yield from ("", "## Tests", "", "From `hardenprobe.testing`:")
    for name in sorted(testing.__all__):
        one = getattr(testing, name)
        if inspect.isroutine(one) or inspect.isclass(one):
            yield from _function(one)
    yield from (
        "",
        "From `hardenprobe.testing.devices`:",
        *_function(devices.lab_device),
        *_record(devices.LabDevice, table),
        *_function(devices.results),
    )
    yield from _fixtures()
    yield from ("", "## Services of the lab", "")
    yield "Under `services` of a device's `lab:` part: `{speaks: WORD, ...}`; `port` or `ports` where it is not the assigned one."
    for word, service in sorted(Service.registry.items()):
        if service.__module__.startswith("hardenprobe.demo_lab"):
            yield from ("", f"### {word}", "", _first(service), "")
            yield from table(service)
    yield from ("", "## Files of a folder", "", *_folder())
    yield from ("", "## What is stable", "")
    yield f"The names of `hardenprobe.__all__`: {', '.join(f'`{name}`' for name in hardenprobe.__all__)}."
    yield f"Those of `hardenprobe.testing`: {', '.join(f'`{name}`' for name in testing.__all__)}."
    yield f"Those of `hardenprobe.testing.devices`: {', '.join(f'`{name}`' for name in devices.__all__)}."
    yield f"The fixtures of `hardenprobe.testing.fixtures`: {', '.join(f'`{name}`' for name in _FIXTURES)}."
    yield f"The groups of entry points: `{sources.CHECKS}`, `{sources.PROBES}`, `{sources.SERVICES}`."
    yield "What of them goes away or changes its meaning is said under *Changes* in README.md, a release before."


def _limits() -> Iterator[str]:
    yield f"- A module: {time_limit.SECONDS:g} seconds of processor time and {time_limit.WAITING:g} by the clock to be loaded."
    yield "- A judge: the same for one device; one that took longer judges no further device of the scan."
    yield f"- A probe: {PLUGGED_SECONDS:g} seconds at one address and {time_limit.STEP:g} between two waits. It runs after hardenprobe's own"
    yield "  probes, with an equal share of the connections, datagrams, bytes and seconds that those left to the device."


def _fixtures() -> Iterator[str]:
    from hardenprobe.testing import fixtures  # needs pytest, and only whoever writes the pages has it

    yield from (
        "",
        'Fixtures, where `conftest.py` says `pytest_plugins = ["hardenprobe.testing.fixtures"]`:',
        "",
    )
    for name in _FIXTURES:
        yield f"- `{name}`: {_first(getattr(fixtures, name))}"


def _members(words: type[StrEnum]) -> Iterator[str]:
    """An enumeration: its members and what each means."""
    told = dict(entry.split(": ", 1) for entry in _section(words, "Attributes"))
    yield from ("", f"### {words.__name__}", "", _first(words), "")
    for name, word in words.__members__.items():
        meaning = REASONS[word] if isinstance(word, Reason) else told[name]
        yield f'- `{words.__name__}.{name}` ("{word}"): {meaning}'


def _folder() -> Iterator[str]:
    skipped = ", ".join(
        f"`{start}*.py`" if start.endswith("_") else f"`{start}.py`" for start in sources._NO_PLUGINS
    )
    yield "`--checks-from FOLDER` loads the Python files of a folder as modules of one package."
    yield f"- Not loaded as checks: {skipped}. Put what several files share into `_helper.py`, and write `from ._helper import NAME`."
    yield "- A file may hold a `CHECK`, a `PROBE`, both, facts, or a service of the lab."
    yield "- `devices.yaml` beside them holds devices of the lab for `checks try --device lab:TAG`."
    yield "- What cannot be loaded judges `error` under its name, and the scan goes on."


def _record(record: type[Any], table: Table | None = None) -> Iterator[str]:
    """A class: what it is, its fields, its properties and methods."""
    yield from ("", f"### {record.__name__}", "", _first(record), "")
    if is_dataclass(record) and table is not None:
        yield from (*table(record), "")
    elif not is_dataclass(record):
        yield from (f"- `.{name}`: {text}" for name, text in _told(record))
    public = {
        name: one
        for name, one in vars(record).items()
        if not name.startswith(("_", "raw_", "shared")) and name not in _names(record)
    }
    for name, one in public.items():
        held = (
            one.fget if isinstance(one, property) else one.func if isinstance(one, cached_property) else None
        )
        if held is not None and held.__doc__:
            yield f"- `.{name}`: {_first(held)}"
        elif inspect.isroutine(one) and one.__doc__:
            awaited = "await " if inspect.iscoroutinefunction(one) else ""
            yield f"- `{awaited}.{name}{_signature(one)}`: {_first(one)}"


def _names(record: type[Any]) -> set[str]:
    return {field.name for field in fields(record)} if is_dataclass(record) else set()


def _function(function: Any) -> Iterator[str]:
    yield from ("", f"#### `{function.__name__}{_signature(function)}`", "", _first(function))
    for part in ("Args", "Attributes", "Returns", "Raises"):
        if told := _section(function, part):
            yield from (
                "",
                *([f"{part}:", ""] if part in ("Returns", "Raises") else ()),
                *(f"- {one}" for one in told),
            )


def _section(one: Any, name: str) -> list[str]:
    """The entries of a docstring's section."""
    told = (inspect.getdoc(one) or "").partition(f"\n{name}:\n")[2].partition("\n\n")[0]
    return list(_entries(told.splitlines()))


def _told(record: type[Any]) -> Iterator[tuple[str, str]]:
    """The attributes of a class that is no record, with their meaning."""
    for entry in _section(record, "Attributes"):
        name, _, text = entry.partition(": ")
        yield name, text


def _entries(lines: Iterable[str]) -> Iterator[str]:
    """Entries of a docstring's section, each folded to one line."""
    entry = ""
    for line in lines:
        if line.startswith("     ") and entry:
            entry += f" {line.strip()}"
        else:
            if entry:
                yield entry
            entry = line.strip()
    if entry:
        yield entry


def _signature(function: Any) -> str:
    try:
        found = inspect.signature(function)
    except (TypeError, ValueError):
        return ""
    kept = [
        p.replace(annotation=_written(p.annotation), default=_default(p.default))
        for p in found.parameters.values()
        if p.name != "self"
    ]
    # A context manager is declared as what it yields, which is not what it returns.
    returned = _written(found.return_annotation)
    silent = returned == "None" or inspect.isgeneratorfunction(inspect.unwrap(function))
    return str(found.replace(parameters=kept, return_annotation=found.empty if silent else returned))


class _Plain(str):
    """Text that a signature shows as it is."""

    __slots__ = ()
    __repr__ = str.__str__


def _written(annotation: Any) -> Any:
    """An annotation as one writes it."""
    return _Plain(annotation) if isinstance(annotation, str) else annotation


def _default(shown: Any) -> Any:
    """A default as one writes it."""
    if isinstance(shown, Enum):
        return _Plain(f"{type(shown).__name__}.{shown.name}")
    if is_dataclass(shown) and not isinstance(shown, type):
        return _Plain("...")
    return shown


def _first(one: Any) -> str:
    """The first paragraph of a docstring, in one line."""
    return " ".join((inspect.getdoc(one) or "").partition("\n\n")[0].split())
