"""A review without what its devices showed, and the counts of its results: what a screen and an exit status take."""

from __future__ import annotations

from dataclasses import replace

from hardenprobe.baseline.selection import Expectations
from hardenprobe.judging.counts import Tally
from hardenprobe.model import Device, Review
from hardenprobe.model.review_rows import rows_of
from hardenprobe.model.rows import read_device, read_results


def summary(review: Review, expected: Expectations) -> tuple[Review, Tally]:
    """Go through a review's devices once, a few of them in memory at a time.

    Args:
        expected: Says for each device which checks may not stay unknown.
    """
    tally = Tally()
    devices: list[Device] = []
    for part in rows_of(review):
        device = read_device(part.record)
        tally.add(device.id, read_results(part.results), expected.of(device).must_determine)
        devices.append(replace(device, identity=(), services=()))
    return replace(review, devices=tuple(devices), results=(), observations={}), tally
