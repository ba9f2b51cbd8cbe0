"""The canonical JSON of a store's rows, read and written without plain objects in between.

Everything here gives what model/document.py gives, in a fraction of its time. It rests on the order of keys in canonical JSON, and
where a text turns out to be something else it is left to model/document.py.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from itertools import groupby
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

from hardenprobe.model.device import Device, Named
from hardenprobe.model.document import (
    adapter,
    canonical,
    decode_device,
    decode_observations,
    decode_results,
    dump,
    encode_observation,
    facts_kinds,
)
from hardenprobe.model.observation import Observation
from hardenprobe.model.result import Result

if TYPE_CHECKING:
    from pydantic_core import SchemaSerializer

_BETWEEN = ',{"asked_at":'  # the first key of an entry; within one it could only begin an entry of some list of its facts
_DEVICE = re.compile(r'(\{"asked_at":"[^"\\]*",)"device":"[^"\\]*",')
_ASKED = re.compile(r'(\{"asked_at":"[^"\\]*",)')
_KIND = '"kind":"'


_LABEL = re.compile(r'"label":("(?:[^"\\]|\\.)*"),')
_BASELINE = '"baseline":'


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One device of a stored review.

    Attributes:
        device: Its id.
        record: Its entry in the document's `devices`.
        observations, results: Its entries in those lists, as a list.
    """

    device: str
    record: str
    observations: str
    results: str


def split(document: dict[str, Any]) -> list[Part]:
    """Take devices, observations and results out of a document, by device; what is left is its head."""
    devices = {device["id"]: device for device in document.pop("devices")}
    lists: dict[str, dict[str, list[Any]]] = {}
    for key in ("observations", "results"):
        lists[key] = {device: [] for device in devices}
        for entry in document.pop(key):
            lists[key][entry["device"]].append(entry)
    return [
        Part(
            device=device,
            record=text(record),
            observations=text(lists["observations"][device]),
            results=text(lists["results"][device]),
        )
        for device, record in devices.items()
    ]


def text(value: Any) -> str:
    """Plain JSON types as a row keeps them."""
    return canonical(value).decode()


def device_text(device: Device) -> str:
    """The record of a device."""
    return text({**dump(Device, device), "label": device.label})


def entries_text(observations: Iterable[Observation[Any]]) -> str:
    """Observations as a list of entries, before it is known whose they are."""
    return text([encode_observation(one) for one in observations])


def owned(entries: str, device: str, count: int) -> str:
    """The same entries as those of a device.

    Args:
        count: How many there are.
    """
    own = f'"device":{canonical(device).decode()},'
    pieces = [_ASKED.subn(lambda asked: asked[1] + own, entry, count=1) for entry in _entries(entries)]
    if len(pieces) == count == sum(found for _, found in pieces):
        return f"[{','.join(piece for piece, _ in pieces)}]"
    return text([{"device": device, **entry} for entry in json.loads(entries)])


def merged(lists: Iterable[str]) -> str:
    """Several lists of entries as one."""
    return f"[{','.join(filter(None, (one[1:-1] for one in lists)))}]"


def read_device(record: str) -> Device:
    """Read the device of a row, as `codec.decode_device` reads its entry.

    Raises:
        ValueError, UsageError, TypeError, AttributeError: It is none.
    """
    plain, count = _LABEL.subn("", record, count=1)
    if count:
        try:
            device: Device = adapter(Device).validate_json(f"[{plain}]")[0]
        except ValueError:
            pass
        else:
            return device
    return decode_device(json.loads(record))


def label_of(record: str) -> str:
    """What people call the device of a row.

    Raises:
        ValueError: It says nothing of the kind.
    """
    found = _LABEL.search(record)
    if not found:
        raise ValueError("no label")
    return str(json.loads(found[1]))


def with_baseline(record: str, baseline: Named) -> str:
    """The record of a row with another baseline, as `codec.canonical` writes it.

    Raises:
        ValueError: It is no device's.
    """
    begin = record.index(_BASELINE) + len(_BASELINE)
    _, end = json.JSONDecoder().raw_decode(record, begin)
    return record[:begin] + canonical(asdict(baseline)).decode() + record[end:]


def read_observations(entries: str, *, owned: bool = True) -> list[Observation[Any]]:
    """Read the observations of a row, as `codec.decode_observations` reads their entries.

    Args:
        owned: Each entry names its device; see `entries_text` for those that do not.

    Raises:
        ValueError, UsageError, TypeError, KeyError: They are none.
    """
    try:
        return _read(entries, owned)
    except (ValueError, LookupError):
        plain = json.loads(entries)
        if not isinstance(plain, list):
            raise TypeError("no list") from None
        return decode_observations(plain)


def _read(entries: str, owned: bool) -> list[Observation[Any]]:
    by_kind: dict[str, list[int]] = {}
    pieces: list[str] = []
    for number, entry in enumerate(_entries(entries)):
        # The last one is the entry's own: those after it, a transcript and a name, hold no such key.
        before, found, after = entry.rpartition(_KIND)
        kind, end, rest = after.partition('",')
        if owned and (own := _DEVICE.match(before)):
            before = own[1] + before[own.end() :]
        elif owned:
            found = ""
        if not (found and end):
            raise ValueError(entry[:80])
        by_kind.setdefault(kind, []).append(number)
        pieces.append(before + rest)
    made: dict[int, Observation[Any]] = {}
    for kind, numbers in by_kind.items():
        shape: Any = Observation[facts_kinds()[kind]]  # type: ignore[misc]
        read = adapter(shape).validate_json(f"[{','.join(pieces[n] for n in numbers)}]")
        made.update(zip(numbers, read, strict=True))
    return [made[number] for number in range(len(pieces))]


def read_some(entries: str, kinds: Collection[str]) -> list[Any]:
    """Read only the observations of some kinds, and those not into records.

    Returns:
        Objects whose attributes are the keys of the entries, at every depth.

    Raises:
        ValueError, TypeError, AttributeError: They are none.
    """
    told = [f'{_KIND}{kind}"' for kind in kinds]
    found = [entry for entry in _entries(entries) if any(one in entry for one in told)]
    try:
        some = json.loads(f"[{','.join(found)}]", object_hook=_attributes)
    except ValueError:
        some = json.loads(entries, object_hook=_attributes)
    return [entry for entry in some if entry.kind in kinds]


def _entries(entries: str) -> Iterator[str]:
    if not (entries.startswith("[") and entries.endswith("]")):
        raise ValueError("no list")
    first, *others = entries[1:-1].split(_BETWEEN)
    if first:
        yield first
    for other in others:
        yield _BETWEEN[1:] + other


def _attributes(entry: dict[str, Any]) -> SimpleNamespace:
    return SimpleNamespace(**entry)


def read_results(entries: str) -> tuple[Result, ...]:
    """Read the results of a row.

    Raises:
        ValueError, UsageError: They are none.
    """
    try:
        return adapter(Result).validate_json(entries)
    except ValueError:
        return decode_results(json.loads(entries))


def results_text(results: Sequence[Result]) -> str:
    """Write the results of a row, as `codec.canonical` writes their entries of the document.

    The library writes fields in the order that its schema names them, which can be the alphabet's. Values of no fixed
    type it leaves in their own order, and fractions it writes in its own way.
    """
    serializer = _sorted_results()
    pieces: list[bytes] = []
    for plain, group in groupby(results, _plain):
        some = tuple(group)
        try:
            piece = serializer.to_json(some) if plain else None
        except ValueError:  # a text that is half a character
            piece = None
        pieces.append((piece or canonical([dump(Result, one) for one in some]))[1:-1])
    return (b"[" + b",".join(pieces) + b"]").decode()


def _plain(result: Result) -> bool:
    seen, wanted = result.observed.value, result.expected.value
    if not ((seen is None or _in_order(seen)) and (wanted is None or _in_order(wanted))):
        return False
    if result.score is None and result.temporal is None and result.environmental is None:
        return True
    # Both write 0.1 to 10.0 alike, and no score is anything else.
    scores = (result.score, result.temporal, result.environmental)
    return all(score is None or 0.1 <= score <= 10.0 or score == 0.0 for score in scores)


def _in_order(value: Any) -> bool:
    """Tell whether a value of plain JSON types holds no fraction, and no object whose keys are not in order."""
    if value is None or type(value) in (str, int, bool):
        return True
    if isinstance(value, dict):
        return list(value) == sorted(value) and all(map(_in_order, value.values()))
    return isinstance(value, list | tuple) and all(map(_in_order, value))


@cache
def _sorted_results() -> SchemaSerializer:
    """A serializer of results whose fields come in alphabetical order."""
    from pydantic_core import SchemaSerializer

    def in_order(schema: Any) -> Any:
        if isinstance(schema, list):
            return [in_order(part) for part in schema]
        if not isinstance(schema, dict):
            return schema
        ordered = {key: in_order(value) for key, value in schema.items()}
        if schema.get("type") == "dataclass":
            ordered["fields"] = sorted(schema["fields"])
        elif schema.get("type") == "dataclass-args":
            ordered["fields"] = sorted(ordered["fields"], key=lambda one: one["name"])
        return ordered

    return SchemaSerializer(in_order(adapter(Result).core_schema))
