"""`python -m hardenprobe.cli.reference`: writes handbook/ from the code. A test fails while the pages are stale.

One page for the checks, one for what probes can see, one for the keys of a baseline, one for the command line, one for how
findings are scored, one for authors of checks.
"""

from __future__ import annotations

import inspect
import re
import types
import typing
from collections.abc import Iterator
from dataclasses import MISSING, fields, is_dataclass
from pathlib import Path
from typing import Any

import click

from hardenprobe.baseline import baseline
from hardenprobe.baseline.baseline import BaselineFile
from hardenprobe.checking.check import Check
from hardenprobe.cli import CAUTION, cli, reference_authors, reference_severity
from hardenprobe.model.document import facts_kinds
from hardenprobe.plugins import registry
from hardenprobe.standards.ccss import score, severity

FOLDER = Path(__file__).resolve().parent.parent / "handbook"
_NOTE = "Written by `python -m hardenprobe.cli.reference` from the code; change that, not this page."
_ENTRY = re.compile(r"([a-z_0-9, ]+): (.+)", re.DOTALL)  # of "Attributes:" in a docstring


def pages() -> dict[str, str]:
    """File name to text of every page."""
    made = {
        "checks.md": _checks(),
        "observations.md": _observations(),
        "baseline.md": _baseline(),
        "command-line.md": _command_line(),
        "severity.md": reference_severity.page(_cell, _NOTE),
        "authors.md": reference_authors.page(_table, _NOTE),
    }
    return {name: "\n".join(lines).rstrip() + "\n" for name, lines in made.items()}


def write(folder: Path = FOLDER) -> None:
    """Bring the pages up to date."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in pages().items():
        (folder / name).write_text(text, encoding="utf-8")


def _checks() -> Iterator[str]:
    found = registry.load(plugins=False).checks
    yield from (
        "# Checks",
        "",
        _NOTE,
        "",
        f"> {CAUTION}",
        "",
        "| check | test level | highest score | title |",
        "|---|---|---|---|",
    )
    for id, check in sorted(found.items()):
        yield f"| [`{id}`](#{id}) | {check.reach or 'none'} | {_worst(check)} | {_cell(check.title)} |"
    for id, check in sorted(found.items()):
        yield from _check(id, check)


def _worst(check: Check[Any]) -> str:
    value = max(score(vector).base for vector in check.vectors.values())
    return f"{value} {severity(value)}"


def _check(id: str, check: Check[Any]) -> Iterator[str]:
    yield from ("", f"## {id}", "", f"{check.title}. Version {check.version}.", "")
    for heading, text in check.sections.items():
        if heading:
            yield f"- **{heading}**: {_text(text)}"
    yield f"- **Reads**: {', '.join(f'[`{f.kind}`](observations.md#{f.kind})' for f in check.reads)}"
    keys = ", ".join(f"`{field.name}`" for field in fields(check.settings))
    yield f"- **Baselines set**: {f'{keys}, see [baseline](baseline.md#{id})' if keys else 'nothing'}"
    weighs = "; ".join(
        f"{f'{_text(name)}: ' if name else ''}{score(v).base} ({v})" for name, v in check.vectors.items()
    )
    yield f"- **Score of a fail**: {weighs}"
    yield f"- **Remediation**: {_text(check.remedy.title)} (`{check.remedy.id}`)"
    yield f"- **Controls** (NIST SP 800-53 Rev. 5): {', '.join(check.controls)}"


def _observations() -> Iterator[str]:
    kinds = {
        kind: facts
        for kind, facts in sorted(facts_kinds().items())
        if facts.__module__.startswith("hardenprobe.facts")
    }
    readers: dict[str, list[str]] = {}
    for id, check in sorted(registry.load(plugins=False).checks.items()):
        for facts in check.reads:
            readers.setdefault(facts.kind, []).append(id)
    yield from ("# Observations", "", _NOTE, "")
    yield "What a probe observes, or an inventory declares: one record for each kind, as `facts` in a review's document. Text that a"
    yield "device wrote is hostile: escape it wherever it is shown."
    for kind, facts in kinds.items():
        yield from ("", f"## {kind}", "", f"`{facts.__module__}.{facts.__name__}`: {_summary(facts)}", "")
        yield from _table(facts)
        read = ", ".join(f"[`{id}`](checks.md#{id})" for id in readers.get(kind, ()))
        yield from ("", f"Read by {read or 'no check'}.")


def _baseline() -> Iterator[str]:
    yield from ("# Keys of a baseline", "", _NOTE, "")
    yield f"`hardenprobe baseline show NAME` shows what a baseline decides, and where each value comes from. The example values are those of `{baseline.DEFAULT}`."
    yield from ("", "## The file", "")
    yield from _table(BaselineFile, key=lambda field: field.metadata.get("alias", field.name))
    seen: set[type[Any]] = set()
    for field in fields(BaselineFile):
        for part in _records(typing.get_type_hints(BaselineFile)[field.name]):
            if part not in seen:
                seen.add(part)
                name = field.metadata.get("alias", field.name)
                yield from ("", f"### {name}: {part.__name__}", "", _summary(part), "")
                yield from _table(part)
    checks = registry.load(plugins=False)
    shipped = baseline.load(baseline.DEFAULT, checks).settings
    yield from ("", "## Under `expect`", "")
    for id, check in sorted(checks.checks.items()):
        if fields(check.settings):
            yield from (
                "",
                f"### {id}",
                "",
                f"[{_text(check.title)}](checks.md#{id}). {_summary(check.settings)}",
                "",
            )
            yield from _table(check.settings, values=shipped.get(id))


def _records(hint: Any) -> Iterator[type[Any]]:
    """The records inside of a type."""
    if isinstance(hint, type) and is_dataclass(hint):
        yield hint
        for inner in typing.get_type_hints(hint).values():
            yield from _records(inner)
    for inner in typing.get_args(hint):
        yield from _records(inner)


def _command_line() -> Iterator[str]:
    yield from ("# Command line", "", _NOTE, "", f"> {CAUTION}", "")
    yield "Exit status, the first that holds: 70 a bug in hardenprobe; 2 wrong usage or bad input; 3 incomplete; 1 at least"
    yield "one open finding; 0 otherwise."
    yield from _command(cli, click.Context(cli, info_name="hardenprobe", **cli.context_settings))


def _command(command: click.Command, context: click.Context) -> Iterator[str]:
    yield from ("", f"## {context.command_path}", "")
    told = inspect.cleandoc(command.help or "")
    yield from (re.sub(r"\s+", " ", part) + "\n" for part in told.split("\n\n"))
    usage = " ".join([context.command_path, *command.collect_usage_pieces(context)])
    yield from ("```", usage, "```")
    rows = [param.get_help_record(context) for param in command.get_params(context)]
    if options := [row for row in rows if row and row[1] and "--help" not in row[0]]:
        yield from ("", "| option | what it does |", "|---|---|")
        yield from (f"| `{_cell(name)}` | {_cell(text)} |" for name, text in options)
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            yield from _command(inner, click.Context(inner, info_name=name, parent=context))


def _table(record: type[Any], values: Any = None, key: Any = None) -> Iterator[str]:
    """The fields of a record: name, type, default, meaning."""
    if not fields(record):
        yield "No fields."
        return
    told = _attributes(record)
    try:
        hints = typing.get_type_hints(record)
    except NameError:  # it names what only a type checker imports
        hints = {field.name: field.type for field in fields(record)}
    yield from (f"| field | type | {'value' if values else 'default'} | meaning |", "|---|---|---|---|")
    for field in fields(record):
        if not field.init or field.name.startswith("_"):
            continue
        name = key(field) if key else field.name
        default = "required"
        if values is not None:
            default = _value(getattr(values, field.name))
        elif field.default is not MISSING:
            default = _value(field.default)
        elif field.default_factory is not MISSING:
            default = _value(field.default_factory())
        yield f"| `{name}` | {_cell(_type(hints[field.name]))} | {_cell(default)} | {_cell(told.get(field.name, ''))} |"


def _value(value: Any) -> str:
    if is_dataclass(value):
        return "see below"
    text = repr(value) if not isinstance(value, str) else f'"{value}"'
    text = "its own" if " object at 0x" in text else text
    return text if len(text) <= 80 else text[:79] + "…"


def _type(hint: Any) -> str:
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        return " or ".join("none" if one is type(None) else _type(one) for one in inner)
    if origin is tuple:
        return f"list of {_type(inner[0])}"
    if origin is typing.Literal:
        return ", ".join(map(repr, inner))
    if origin is typing.Annotated:
        return _type(inner[0])
    if origin is dict:
        return f"{_type(inner[0])} to {_type(inner[1])}"
    return getattr(hint, "__name__", str(hint))


def _attributes(record: type[Any]) -> dict[str, str]:
    """What a docstring says of each field."""
    _, _, told = inspect.cleandoc(record.__doc__ or "").partition("Attributes:\n")
    entries: list[str] = []
    for line in told.partition("\n\n")[0].splitlines():
        if line.startswith("    ") and not line.startswith("     "):
            entries.append(line.strip())
        elif entries:
            entries[-1] += f" {line.strip()}"
    found: dict[str, str] = {}
    for entry in entries:
        if match := _ENTRY.fullmatch(entry):
            found |= dict.fromkeys((name.strip() for name in match[1].split(",")), match[2])
    return found


def _summary(record: type[Any]) -> str:
    doc = inspect.cleandoc(record.__doc__ or "")
    return (
        _text(doc.partition("\n\n")[0].replace("\n", " "))
        if not doc.startswith(f"{record.__name__}(")
        else ""
    )


def _text(text: str) -> str:
    """Text in which Markdown sees no tags and no emphasis."""
    return re.sub(r"([<*_])", r"\\\1", text)


def _cell(text: object) -> str:
    return re.sub(r"\s+", " ", str(text)).replace("|", "\\|").replace("<", "\\<")


if __name__ == "__main__":
    write()
