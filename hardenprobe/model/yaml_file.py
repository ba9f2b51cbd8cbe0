"""Files that people write: YAML with a line number for every complaint.

Read as the YAML 1.2 core schema, so that `off`, `no`, `22:30` and `2026-11-01` stay the words they look like, and a
repeated key is an error.
"""

from __future__ import annotations

import dataclasses
import difflib
import json
import re
import typing
from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import yaml

from hardenprobe.errors import FileInvalid, clip

if TYPE_CHECKING:
    from pydantic import TypeAdapter

T = TypeVar("T")
Spot = tuple[str | int, ...]

_PLACEHOLDER = re.compile(r"\bWRITE [A-Z]{2}|^example-site\b")
"""What the templates of `hardenprobe init` say where a person must write."""

SIZE_LIMIT = 32 * 1024 * 1024  # bytes; an inventory of 100,000 devices takes about 20 MB


@dataclass(frozen=True)
class Document:
    """A file's data, and the line of every key and item.

    Attributes:
        lines: Path of keys and indexes to line number, from 1.
        files: The same to the file, where it is another one: for what was inherited.
    """

    file: str
    data: Any
    lines: Mapping[Spot, int] = field(default_factory=dict)
    files: Mapping[Spot, str] = field(default_factory=dict)

    def line(self, spot: Spot) -> int | None:
        """The line of a spot, or of the nearest thing around it."""
        return self.lines.get(self._near(spot))

    def place(self, spot: Spot) -> str | None:
        """File and line of a spot as people read them, None where it is not in a file."""
        return f"{self._file(spot)}:{self.lines[spot]}" if spot in self.lines else None

    def placeholders(self) -> list[FileInvalid]:
        """Values that were never written over the words of a template, each with its line."""

        def walk(data: Any, spot: Spot) -> Iterator[FileInvalid]:
            if isinstance(data, dict):
                for key, value in data.items():
                    yield from walk(value, (*spot, key))
            elif isinstance(data, list):
                for at, value in enumerate(data):
                    yield from walk(value, (*spot, at))
            elif isinstance(data, str) and _PLACEHOLDER.search(data):
                key = spot[0] if spot else ""
                yield self.fault(spot, f"{key} is still {clip(data)} of the template; write your own")

        return list(walk(self.data, ()))

    def fault(self, spot: Spot, message: str) -> FileInvalid:
        near = self._near(spot)
        return FileInvalid(self._file(near), self.lines.get(near), message)

    def over(self, below: Document) -> Document:
        """This document over another: keys override keys, at every depth; a list or a value replaces the whole of it."""
        lines: dict[Spot, int] = {}
        files: dict[Spot, str] = {}

        def take(source: Document, data: Any, spot: Spot) -> Any:
            if spot in source.lines:
                lines[spot] = source.lines[spot]
                if source._file(spot) != self.file:
                    files[spot] = source._file(spot)
            inner = (
                data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
            )
            for key, value in inner:
                take(source, value, (*spot, key))
            return data

        def merge(upper: Any, lower: Any, spot: Spot) -> Any:
            if not (isinstance(upper, dict) and isinstance(lower, dict)):
                return take(self, upper, spot)
            take(self, None, spot)
            made: dict[str, Any] = {}
            for key in {**lower, **upper}:
                here = (*spot, key)
                if key not in upper:
                    made[key] = take(below, lower[key], here)
                else:
                    made[key] = (
                        merge(upper[key], lower[key], here) if key in lower else take(self, upper[key], here)
                    )
            return made

        return Document(self.file, merge(self.data, below.data, ()), lines, files)

    def _near(self, spot: Spot) -> Spot:
        while spot and spot not in self.lines:
            spot = spot[:-1]
        return spot

    def _file(self, spot: Spot) -> str:
        return self.files.get(spot, self.file)


# libyaml reads ten times as fast, and stops at a thousand levels; the wheels of some systems come without it.
_Safe: Any = yaml.CSafeLoader if yaml.__with_libyaml__ else yaml.SafeLoader


class _Loader(_Safe):  # type: ignore[misc]
    """The safe loader with the resolvers of the YAML 1.2 core schema (chapter 10.3.2)."""

    yaml_implicit_resolvers: dict[str, Any] = {}  # noqa: RUF012 - the library's own class attribute


for _tag, _pattern, _first in (
    ("null", r"(~|null|Null|NULL|)", ["~", "n", "N", ""]),
    ("bool", r"(true|True|TRUE|false|False|FALSE)", list("tTfF")),
    ("int", r"[-+]?[0-9]+", list("-+0123456789")),
    ("float", r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?", list("-+.0123456789")),
):
    _Loader.add_implicit_resolver(f"tag:yaml.org,2002:{_tag}", re.compile(f"^{_pattern}$"), _first)
# In YAML 1.2 a leading zero means nothing; the library's own constructor reads octal.
_Loader.add_constructor("tag:yaml.org,2002:int", lambda _, node: int(node.value))


def read_text(path: Path) -> str:
    """Read a UTF-8 file that a person names.

    Raises:
        FileInvalid: It is not there, not readable, too large or not UTF-8.
    """
    try:
        if path.stat().st_size > SIZE_LIMIT:
            raise FileInvalid(str(path), None, f"larger than {SIZE_LIMIT // 1024 // 1024} MiB")
        return path.read_text(encoding="utf-8-sig")
    except OSError as exc:
        raise FileInvalid(str(path), None, f"cannot be read: {exc.strerror}") from exc
    except UnicodeDecodeError as exc:
        raise FileInvalid(str(path), None, f"not UTF-8 text (byte {exc.start})") from exc


def load_yaml(path: Path, *, sequence: bool = False) -> Document:
    """Read one YAML document.

    Args:
        sequence: A list is allowed at the top too.

    Raises:
        FileInvalid: Unreadable, not YAML, a repeated key, or no mapping at the top.
    """
    text = read_text(path)
    lines: dict[Spot, int] = {}
    loader = None
    try:
        loader = _Loader(text)
        node = loader.get_single_node()
        data = _build(str(path), loader, node, (), lines) if node else None
    except yaml.MarkedYAMLError as exc:
        mark = exc.problem_mark or exc.context_mark
        # What is missing at the end is missed on the line after the last one.
        line = min(mark.line + 1, len(text.splitlines()) or 1) if mark else None
        raise FileInvalid(str(path), line, exc.problem or "not YAML") from exc
    except yaml.YAMLError as exc:
        raise FileInvalid(str(path), None, str(exc).splitlines()[0]) from exc
    except RecursionError as exc:
        raise FileInvalid(str(path), None, "nested too deeply, or an alias inside itself") from exc
    finally:
        if loader is not None:
            loader.dispose()
    if not isinstance(data, dict) and not (sequence and isinstance(data, list)):
        raise FileInvalid(str(path), 1, "expected keys and values at the top, such as `key: value`")
    return Document(str(path), data, lines)


def _build(file: str, loader: _Loader, node: yaml.Node, spot: Spot, lines: dict[Spot, int]) -> Any:
    lines.setdefault(spot, node.start_mark.line + 1)
    if isinstance(node, yaml.MappingNode):
        built: dict[str, Any] = {}
        for key_node, value_node in node.value:
            key = loader.construct_object(key_node)
            line = key_node.start_mark.line + 1
            if not isinstance(key, Hashable) or not isinstance(key, str | int):
                raise FileInvalid(file, line, f"a key must be a word, not {clip(key)}")
            name = str(key)
            if name in built:
                raise FileInvalid(file, line, f"the key {name!r} is repeated here; keep one")
            lines[(*spot, name)] = line
            built[name] = _build(file, loader, value_node, (*spot, name), lines)
        return built
    if isinstance(node, yaml.SequenceNode):
        return [_build(file, loader, item, (*spot, i), lines) for i, item in enumerate(node.value)]
    line = node.start_mark.line + 1
    try:
        value = loader.construct_object(node)
    except (ValueError, KeyError, AttributeError):  # a tag, or a number of thousands of digits
        raise FileInvalid(file, line, f"{clip(node.value)} cannot be read; put it in quotes") from None
    if value is not None and not isinstance(value, str | int | float):
        raise FileInvalid(file, line, f"{clip(node.value)} has the tag {node.tag}; write it without one")
    return value


def parse(document: Document, into: type[T], spot: Spot = (), data: Any = None) -> T:
    """Turn a document, or a part of it, into a record, strictly.

    Raises:
        FileInvalid: The first thing that does not fit, with its line and the nearest known key.
    """
    found = attempt(document, into, spot, data)
    if isinstance(found, list):
        raise found[0]
    return found


def attempt(document: Document, into: type[T], spot: Spot = (), data: Any = None) -> T | list[FileInvalid]:
    """The same, and everything that does not fit instead of the first, the most telling first."""
    from pydantic import ValidationError

    try:
        return reader(into).validate_json(json.dumps(document.data if data is None else data), strict=True)
    except ValidationError as exc:
        # A misspelt key is also a missing one; the misspelling is what helps.
        errors = sorted(exc.errors(include_url=False), key=lambda e: e["type"] not in _UNKNOWN_KEY)
        return [_fault(document, into, spot, error) for error in errors]


def _fault(document: Document, into: type[Any], spot: Spot, error: Any) -> FileInvalid:
    where = (*spot, *(part for part in error["loc"]))
    name = where[-1] if where else "document"
    if error["type"] in _UNKNOWN_KEY:
        known = _known(into, where[len(spot) : -1])
        near = difflib.get_close_matches(str(name), known, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        hint += f"; the keys are {', '.join(known)}" if known else "; there are no keys"
        message = f"unknown key {name!r}{hint}"
    elif error["type"] in ("missing", "missing_argument"):
        message = f"the key {name!r} is missing"
    else:
        path = ".".join(str(part) for part in where) or "document"
        message = f"{path} is {clip(error['input'])}: {_plain(error['msg'])}"
    return document.fault(where, message)


_READERS: dict[Any, Any] = {}


def reader(into: type[T]) -> TypeAdapter[T]:
    """A strict reader of a standard dataclass, made once for each."""
    from pydantic import TypeAdapter

    if into not in _READERS:
        _refuse_unknown_keys(into)
        _READERS[into] = TypeAdapter(into)
    made: TypeAdapter[T] = _READERS[into]
    return made


# What model/document.py asks for, too: some records stand in files and in reviews.
_CONFIG = {"extra": "forbid", "strict": True, "json_schema_serialization_defaults_required": True}


def _refuse_unknown_keys(into: Any) -> None:
    """Tell pydantic, for a dataclass and all inside it, that a misspelt key is an error and not a silence."""
    if dataclasses.is_dataclass(into) and "__pydantic_config__" not in vars(into):
        setattr(into, "__pydantic_config__", _CONFIG)  # noqa: B010 - the library's own attribute
        for inner in typing.get_type_hints(into).values():
            _refuse_unknown_keys(inner)
    for inner in typing.get_args(into):
        _refuse_unknown_keys(inner)


_UNKNOWN_KEY = ("unexpected_keyword_argument", "extra_forbidden")


def _known(into: Any, inner: Spot) -> list[str]:
    """Keys that would have been right at a place: found by walking the dataclass fields along the path."""
    here: Any = into
    for part in inner:
        if dataclasses.is_dataclass(here) and isinstance(part, str):
            hints = typing.get_type_hints(here)
            here = hints.get(part)
        else:
            here = _inside(here)
        if type(None) in typing.get_args(here):  # an optional record
            here = _inside(here)
    if not dataclasses.is_dataclass(here):
        return []
    return [f.metadata.get("alias", f.name) for f in dataclasses.fields(here)]


def _inside(hint: Any) -> Any:
    """What a tuple, a mapping or an optional holds."""
    args = [a for a in typing.get_args(hint) if a is not Ellipsis and a is not type(None)]
    return args[-1] if args else None


def _plain(message: str) -> str:
    message = message.removeprefix("Value error, ")
    return message[:1].lower() + message[1:]
