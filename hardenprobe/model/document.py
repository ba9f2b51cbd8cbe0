"""Between the records and the JSON document `hardenprobe.review/1`. Nothing is stored, shown or judged here.

The document is the review field for field, with four differences: the head is under "review"; observations are one
flat list in which each names its "device"; an observation states its "kind", which tells how its "facts" are read;
and a device carries the "label" it is called by, which is written for readers and not read back.

Pydantic takes a tenth of a second to import, so it is imported by the first call and not by this module.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from hardenprobe.errors import UsageError, clip
from hardenprobe.model.decision import Answered, ExceptionNote
from hardenprobe.model.device import Device
from hardenprobe.model.kinds import KINDS
from hardenprobe.model.observation import Observation, Vantage
from hardenprobe.model.result import Advice, CheckNote, FindingDates, Result
from hardenprobe.model.review import FORMAT, Coverage, Head, Review
from hardenprobe.model.usage import ServiceUsage, UsageSource

if TYPE_CHECKING:
    from pydantic import TypeAdapter, ValidationError

SCHEMA_FILE = Path(__file__).with_name("review.schema.json")
"""The JSON Schema that ships with the package; `write_schema` brings it up to date."""

_OF_REPORTS: Mapping[str, Any] = {
    "dates": {},
    "usage": {},
    "usage_sources": [],
}  # what a stored review does not hold
_BESIDE = frozenset({"kind", "device"})  # what an entry holds beside the observation itself
_ENVELOPE = (
    "id",
    "kind",
    "endpoint",
    "vantage",
    "asked_at",
    "facts",
    "transcript",
    "packets",
    "sockets",
    "headers",
)


@dataclass(frozen=True, slots=True)
class UnknownFacts:
    """Facts of a kind that is not known here: of a plug-in that is not installed, or of another version.

    They are kept as they were, so that the review they belong to stays readable.
    """

    kind: str
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Document:
    """The outer shape of the document; observations are read one kind at a time."""

    format: Literal["hardenprobe.review/1"]
    review: Head
    coverage: Coverage
    vantages: tuple[Vantage, ...]
    devices: tuple[Device, ...]
    results: tuple[Result, ...]
    observations: tuple[dict[str, Any], ...]
    checks: tuple[CheckNote, ...] = ()
    what_first: tuple[Advice, ...] = ()
    notices: tuple[str, ...] = ()
    exceptions: tuple[ExceptionNote, ...] = ()
    statements: tuple[Answered, ...] = ()
    dates: Mapping[str, FindingDates] = field(default_factory=dict)  # by finding; of reports alone
    usage: Mapping[str, ServiceUsage] = field(default_factory=dict)  # by finding; of reports alone
    usage_sources: tuple[UsageSource, ...] = ()  # of reports alone


# ---------------------------------------------------------------------------------------------- to the document


def to_document(review: Review) -> dict[str, Any]:
    """Translate a review into plain JSON types.

    Source: architecture.md, "The command line, as a contract".
    """
    document = _Document(
        format="hardenprobe.review/1",
        review=replace(
            review.head,
            versions=dict(review.head.versions),
            usage_days=dict(review.head.usage_days),
            due_days={name: dict(days) for name, days in review.head.due_days.items()},
        ),
        coverage=review.coverage,
        vantages=review.vantages,
        devices=tuple(review.devices),
        results=tuple(review.results),
        observations=(),
        checks=review.checks,
        what_first=review.what_first,
        notices=review.notices,
        exceptions=review.exceptions,
        statements=review.statements,
    )
    plain: dict[str, Any] = dump(_Document, document)
    for key in _OF_REPORTS:
        del plain[key]
    for device, written in zip(review.devices, plain["devices"], strict=True):
        written["label"] = device.label
    plain["observations"] = [
        {"device": device, **encode_observation(obs)}
        for device, seen in review.observations.items()
        for obs in seen
    ]
    return plain


def encode_observation(obs: Observation[Any]) -> dict[str, Any]:
    """Translate one observation into plain JSON types; the document adds its device."""
    facts = obs.facts
    if isinstance(facts, UnknownFacts):
        shape: Any = Observation[UnknownFacts]
    else:
        shape = Observation[type(facts)]  # type: ignore[misc]
    # Of the class: a record may have a field of its own that is called "kind".
    kind = facts.kind if isinstance(facts, UnknownFacts) else str(type(facts).kind)
    plain: dict[str, Any] = dump(shape, obs)
    if isinstance(facts, UnknownFacts):
        plain["facts"] = plain["facts"]["data"]
    plain["kind"] = kind
    return {key: plain[key] for key in _ENVELOPE if key != "headers" or obs.headers}


def canonical(obj: Any) -> bytes:
    """Write plain JSON types the one way that digests are taken over: keys sorted, no spaces, UTF-8.

    Raises:
        ValueError: A number is not finite, or something is not a plain JSON type.
    """
    try:
        text = json.dumps(obj, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    except TypeError as error:
        raise ValueError(str(error)) from None
    return text.encode("utf-8", "surrogatepass")


def digest(obj: Any) -> str:
    """Return the SHA-256 of `canonical(obj)` in hex."""
    return hashlib.sha256(canonical(obj)).hexdigest()


# -------------------------------------------------------------------------------------------- from the document


def from_document(doc: Any) -> Review:
    """Read a review back.

    `Review.observations` of what is returned has an entry for every device, seen or not.

    Raises:
        UsageError: The document is not a `hardenprobe.review/1`; names the path to the first fault.
    """
    if not isinstance(doc, dict):
        raise UsageError(f"review document: an object is expected, not {clip(doc)}")
    if doc.get("format") != FORMAT:
        raise UsageError(f"review document: format: {FORMAT!r} is expected, not {clip(doc.get('format'))}")
    stored = doc.get("observations")
    if not isinstance(stored, list):
        raise UsageError("review document: observations: a list is expected")
    for index, entry in enumerate(stored):
        if not isinstance(entry, dict) or not isinstance(entry.get("device"), str):
            raise UsageError(f"review document: observations[{index}].device: a text is expected")
    outer = {**doc, "devices": _unlabelled(doc.get("devices")), "observations": [], **_OF_REPORTS}
    read: _Document = _load(_Document, [outer], lambda loc: loc[1:])[0]
    seen: dict[str, list[Observation[Any]]] = {device.id: [] for device in read.devices}
    decoded = decode_observations(stored)
    for entry, obs in zip(stored, decoded, strict=True):
        seen.setdefault(entry["device"], []).append(obs)
    return Review(
        head=read.review,
        coverage=read.coverage,
        vantages=read.vantages,
        devices=read.devices,
        results=read.results,
        observations={device: tuple(observations) for device, observations in seen.items()},
        checks=read.checks,
        what_first=read.what_first,
        notices=read.notices,
        exceptions=read.exceptions,
        statements=read.statements,
    )


def decode_device(entry: Any) -> Device:
    """Read one device back.

    Raises:
        UsageError: It is none.
    """
    device: Device = _load(Device, _unlabelled([entry]), lambda loc: ("devices", *loc[1:]))[0]
    return device


def decode_results(entries: Any) -> tuple[Result, ...]:
    """Read the results of a device back.

    Raises:
        UsageError: They are none.
    """
    if not isinstance(entries, list):
        raise UsageError("review document: results: a list is expected")
    return _load(Result, entries, lambda loc: ("results", *loc))


def decode_observations(entries: Sequence[Mapping[str, Any]]) -> list[Observation[Any]]:
    """Read observations back, in their order; facts of a kind that is not known here become `UnknownFacts`.

    Whose they are is left to the caller. Many at once are read much faster than one by one.

    Raises:
        UsageError: One is no observation, or its facts do not fit its kind; the path counts from the first of `entries`.
    """
    by_kind: dict[str, list[int]] = {}
    for index, entry in enumerate(entries):
        kind = entry.get("kind") if isinstance(entry, Mapping) else None
        if not isinstance(kind, str):
            raise UsageError(f"review document: observations[{index}].kind: a text is expected")
        by_kind.setdefault(kind, []).append(index)
    found: dict[int, Observation[Any]] = {}
    for kind, indexes in by_kind.items():
        group = [{key: value for key, value in entries[i].items() if key not in _BESIDE} for i in indexes]
        facts = facts_kinds().get(kind)
        if facts is None:
            for one in group:
                if isinstance(one.get("facts"), dict):
                    one["facts"] = {"kind": kind, "data": one["facts"]}
            facts = UnknownFacts
        read = _load(Observation[facts], group, _path_of(indexes))  # type: ignore[valid-type]
        found.update(zip(indexes, read, strict=True))
    return [found[index] for index in range(len(entries))]


@cache
def facts_kinds() -> Mapping[str, type[Any]]:
    """The kinds of facts, those of this package among them."""
    import_module("hardenprobe.facts")
    return KINDS


def _unlabelled(devices: Any) -> Any:
    if not isinstance(devices, list):
        return devices
    return [
        {key: value for key, value in device.items() if key != "label"}
        if isinstance(device, dict)
        else device
        for device in devices
    ]


# ------------------------------------------------------------------------------------------------------ schema


def schema() -> dict[str, Any]:
    """Build the JSON Schema (2020-12) of the document from the records and the facts modules of this package."""
    whole = adapter(_Document).json_schema(mode="serialization")
    defs: dict[str, Any] = whole["$defs"]
    document: dict[str, Any] = defs.pop("_Document")
    device = defs["Device"]
    device["properties"]["label"] = {"title": "Label", "type": "string"}
    device["required"].append("label")
    document["required"] = [key for key in document["required"] if key not in _OF_REPORTS]

    envelope = adapter(Observation[UnknownFacts]).json_schema(mode="serialization")
    defs.update(envelope["$defs"])
    defs.pop("UnknownFacts")
    (name,) = [key for key in defs if key.startswith("Observation")]
    observation = defs.pop(name)
    observation["title"] = "Observation"
    text = {"type": "string"}
    observation["properties"] |= {"device": text, "kind": text, "facts": {"type": "object"}}
    observation["required"] = [
        *(key for key in observation["required"] if key != "headers"),
        "device",
        "kind",
    ]
    observation["allOf"] = []
    for kind, facts in sorted(facts_kinds().items()):
        if not facts.__module__.startswith("hardenprobe.facts"):
            continue  # a plug-in's facts are not part of the published format
        shape: Any = facts
        part = adapter(shape).json_schema(mode="serialization")
        defs.update(part["$defs"])
        observation["allOf"].append(
            {
                "if": {"properties": {"kind": {"const": kind}}, "required": ["kind"]},
                "then": {"properties": {"facts": {"$ref": f"#/$defs/{facts.__name__}"}}},
            }
        )
    defs["Observation"] = observation
    document["properties"]["observations"] = {"type": "array", "items": {"$ref": "#/$defs/Observation"}}
    return for_readers(FORMAT, "One scan of a fleet of networked office devices, judged.", document, defs)


def for_readers(
    title: str, description: str, document: dict[str, Any], defs: dict[str, Any]
) -> dict[str, Any]:
    """Finish a schema that was made from records."""
    for definition in defs.values():
        # Docstrings are written for readers of the code; the first sentence is enough for readers of a document.
        if "description" in definition:
            definition["description"] = definition["description"].partition("\n\n")[0].replace("\n", " ")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **document,
        "title": title,
        "description": description,
        "$defs": dict(sorted(defs.items())),
    }


def write_schema() -> None:
    """Bring the shipped schema up to date."""
    write_schema_file(SCHEMA_FILE, schema())


def write_schema_file(file: Path, made: dict[str, Any]) -> None:
    """Write a schema as it is shipped."""
    file.write_text(json.dumps(made, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


# ---------------------------------------------------------------------------------------------------- pydantic

Location = tuple[int | str, ...]


@cache
def adapter(shape: Any) -> TypeAdapter[tuple[Any, ...]]:
    """The library's adapter for a tuple of `shape`.

    Of a tuple, because pydantic takes a configuration beside a tuple, which it hands down to the dataclasses inside,
    but none beside a dataclass.
    """
    from pydantic import ConfigDict, TypeAdapter

    config = ConfigDict(
        extra="forbid", strict=True, allow_inf_nan=False, json_schema_serialization_defaults_required=True
    )
    return TypeAdapter(tuple[shape, ...], config=config)  # pyright: ignore[reportInvalidTypeForm] - built at run time


def dump(shape: Any, value: Any) -> Any:
    return adapter(shape).dump_python((value,), mode="json", warnings="none")[0]


def _load(shape: Any, values: Iterable[Any], path: Callable[[Location], Location]) -> tuple[Any, ...]:
    from pydantic import ValidationError

    # By way of JSON: only there does strict mode take a list for a tuple and a text for an enumeration.
    try:
        text = json.dumps(values)
    except (TypeError, ValueError) as error:
        raise UsageError(f"review document: {clip(str(error))}") from None
    try:
        return adapter(shape).validate_json(text)
    except ValidationError as error:
        raise _usage_error(error, path) from None


def _path_of(indexes: Sequence[int]) -> Callable[[Location], Location]:
    def path(loc: Location) -> Location:
        if not loc or not isinstance(loc[0], int):
            return loc
        inner = (
            tuple(part for part in loc[1:] if part != "data") if loc[1:3] == ("facts", "data") else loc[1:]
        )
        return ("observations", indexes[loc[0]], *inner)

    return path


def _usage_error(error: ValidationError, path: Callable[[Location], Location]) -> UsageError:
    first = error.errors(include_url=False, include_context=False, include_input=False)[0]
    where = ""
    for part in path(first["loc"]):
        if isinstance(part, int):
            where += f"[{part}]"
        else:
            name = part if part.isidentifier() and part.isascii() and len(part) <= 40 else clip(part, 40)
            where += f".{name}" if where else name
    return UsageError(f"review document: {where or 'top'}: {first['msg']}")
