"""Judges devices that lie in rows, one at a time."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from hardenprobe.checking.check import Fleet, shared_values
from hardenprobe.judging.judgement import Judgement
from hardenprobe.judging.run_checks import compared, compares
from hardenprobe.model import INVENTORY, Review
from hardenprobe.model.document import encode_observation
from hardenprobe.model.rows import (
    Part,
    label_of,
    read_device,
    read_observations,
    read_some,
    results_text,
    text,
    with_baseline,
)
from hardenprobe.plugins.registry import Registry


def judged_part(part: Part, judgement: Judgement) -> Part:
    """The row of a device, judged again."""
    device = read_device(part.record)
    seen = tuple(read_observations(part.observations))
    (judged,), observations, results = judgement.part((device,), {device.id: seen})
    assert judged.baseline is not None
    written = part.observations
    if observations[device.id] != seen:  # people state something else now
        written = text([{"device": device.id, **encode_observation(o)} for o in observations[device.id]])
    return Part(
        device=device.id,
        record=with_baseline(part.record, judged.baseline),
        observations=written,
        results=results_text(results),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedValues:
    """What a device is compared by.

    Attributes:
        values: By vantage point, each with its number in `run_checks.compares`.
    """

    device: str
    label: str
    values: Mapping[str, Sequence[tuple[int, Hashable]]]


def shared_values_of(part: Part, registry: Registry) -> SharedValues:
    """What the device of a row is compared by."""
    shared = compares(registry)
    kinds = {kind for one in shared for kind in one.kinds}
    shown: dict[str, list[tuple[str, Any]]] = {}
    for entry in read_some(part.observations, kinds):
        shown.setdefault(entry.vantage, []).append((entry.kind, entry.facts))
    values = {vantage: tuple(shared_values(shared, seen)) for vantage, seen in shown.items()}
    return SharedValues(device=part.device, label=label_of(part.record), values=values)


def fleets_of(shown: Iterable[SharedValues], outline: Review, registry: Registry) -> dict[str, Fleet]:
    """By vantage point, what devices are compared by: all of them, since the last may share a key with the first."""
    found = compared(outline.vantages, registry)
    for one in shown:
        for name, fleet in found.items():
            for where in (name, INVENTORY):
                fleet.note(one.device, one.label, one.values.get(where, ()))
    return found
