"""Take up a scan that was interrupted, under the very request that it began with."""

from __future__ import annotations

from hardenprobe.errors import StoreRefused, UsageError
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model.visit import ResumableScan
from hardenprobe.scanning.job import ScanJob
from hardenprobe.scanning.request import ScanRequest, expected_addresses
from hardenprobe.store.journal import Journal
from hardenprobe.store.store import UNREADABLE, Store


def take_up(store: Store, name: str) -> tuple[ResumableScan, ScanJob, JudgingRules]:
    """An unfinished scan, with its job and what it is judged by.

    Raises:
        UsageError: There is no such scan, a file that it names is gone or wrong, or it would be another scan now.
    """
    taken = Journal(store).take_up(name)
    try:
        request = ScanRequest.of(taken.begun.request)
    except UNREADABLE as exc:
        raise StoreRefused(f"scan {taken.begun.id} cannot be read; it was changed from outside") from exc
    job, rules = request.prepare()
    changed = ""
    if job.plan.hash != taken.begun.plan_hash:
        changed = "its scope, its baseline or a check has changed, and the plan with it"
    elif expected_addresses(job) != taken.begun.expected_hash:
        changed = "the addresses of its inventory have changed"
    if changed:
        raise UsageError(
            f"scan {taken.begun.id} cannot go on: {changed}; scan anew, or bring the files back as they were"
        )
    return taken, job, rules
