"""Whether a review speaks for all that was asked, and the exit status that follows."""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe.baseline.selection import Expectations
from hardenprobe.judging.counts import Tally
from hardenprobe.model import NOT_HEARD, NOT_PLANNED, Review

FINDING, INCOMPLETE, CLEAN = 1, 3, 0


def exit_status(
    review: Review,
    expected: Expectations | None = None,
    expected_missing: Iterable[str] = (),
    tally: Tally | None = None,
) -> int:
    """Exit status of the command that made a review: 3 incomplete, 1 an open finding, 0 otherwise.

    Args:
        expected: Says for each device which checks may not stay unknown.
        expected_missing: Asset tags of listed devices that are known to be off.
        tally: The counts, where the review is given without its results.
    """
    tally = tally or _tally(review, expected)
    if incomplete(review, expected, expected_missing, tally):
        return INCOMPLETE
    return FINDING if tally.standing.total() else CLEAN


def incomplete(
    review: Review,
    expected: Expectations | None = None,
    expected_missing: Iterable[str] = (),
    tally: Tally | None = None,
) -> list[str]:
    """Why a review cannot speak for all that was asked; empty where it can. Arguments as for `exit_status`."""
    tally = tally or _tally(review, expected)
    reasons = []
    if review.head.interrupted or review.coverage.unfinished:
        reasons.append("the scan was stopped before it was done")
    if not review.coverage.answered:
        reasons.append("no device answered")
    known = set(expected_missing)
    asked = [m for m in review.coverage.listed_not_seen if m.why not in (NOT_PLANNED, NOT_HEARD)]
    missed = [m.asset_tag for m in asked if m.asset_tag not in known]
    if missed:
        reasons.append(
            f"{_count(len(missed), 'listed device was', 'listed devices were')} not seen: {_some(missed)}"
        )
    if tally.broken:
        number = len(tally.broken)
        reasons.append(f"{_count(number, 'device has', 'devices have')} results in error")
    if tally.undetermined:
        names = _some(sorted(tally.undetermined))
        reasons.append(f"the baseline wants these determined and they were not: {names}")
    return reasons


def _tally(review: Review, expected: Expectations | None) -> Tally:
    must = {d.id: expected.of(d).must_determine for d in review.devices} if expected else {}
    return Tally.of(review.results, (d.id for d in review.devices), must)


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _some(names: list[str], most: int = 5) -> str:
    rest = len(names) - most
    return ", ".join(names[:most]) + (f" and {rest} more" if rest > 0 else "")
