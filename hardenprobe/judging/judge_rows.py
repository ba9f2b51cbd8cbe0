"""Judges devices that lie in rows, one at a time."""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe.checking.check import Fleet
from hardenprobe.judging.judgement import Judgement
from hardenprobe.judging.run_checks import compared, join
from hardenprobe.model import Review
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


def fleets_of(parts: Iterable[Part], outline: Review, registry: Registry) -> dict[str, Fleet]:
    """What devices are compared by, from a pass of its own, since the last device may share a key with the first."""
    found = compared(outline.vantages, registry)
    kinds = {kind for check in registry.checks.values() for one in check.compares for kind in one.kinds}
    for part in parts:
        some = read_some(part.observations, kinds)
        join(
            found,
            part.device,
            label_of(part.record),
            [(entry.vantage, entry.kind, entry.facts) for entry in some],
        )
    return found
