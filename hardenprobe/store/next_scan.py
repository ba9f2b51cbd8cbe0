"""The same scan as last time, from what the store kept of how it was asked for; and what is otherwise by now."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from hardenprobe.errors import StoreRefused, UsageError, clip
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model import Reach, Review
from hardenprobe.scanning.job import ScanJob
from hardenprobe.scanning.request import ScanRequest, pinned
from hardenprobe.store import requests
from hardenprobe.store.store import UNREADABLE, Store

_SHOWN = 6  # values that a sentence names


@dataclass(frozen=True, kw_only=True)
class NextScan:
    """A scan that is to be made again.

    Attributes:
        review: Of last time; `started` is when that began.
        differences: What is otherwise than last time, one sentence each.
    """

    review: str
    started: str
    request: ScanRequest
    job: ScanJob
    rules: JudgingRules
    differences: tuple[str, ...]


def prepare(store: Store, name: str) -> NextScan:
    """Put the scan of a review together once more; nothing is sent.

    Args:
        name: As for `Store.find`.

    Raises:
        UsageError: There is no such review, it is a recheck, or a file that it names is gone or wrong.
        StoreRefused: It cannot be read.
    """
    review = store.outline(store.find(name))
    head = review.head
    if head.rechecks:
        raise UsageError(f"{head.id} is a recheck of {head.rechecks}; name a scan")
    if head.reach is Reach.LISTEN:
        raise UsageError(f"{head.id} is a review of captured traffic; name a scan")
    source = head.judged_from or head.id
    try:
        request = ScanRequest.of(requests.read(store, source))
    except UNREADABLE as exc:
        raise StoreRefused(f"how review {source} was asked for was changed from outside") from exc
    moved: list[str] = []
    targets = []
    for target in request.targets:
        text, first, last, called = target
        found = pinned([called]) if called else (target,)
        if called and (first, last) not in [one[1:3] for one in found]:
            now = ", ".join(one[1] for one in found)
            moved.append(f"name {clip(called)}: {first} last time, {now} now")
        targets += [(text, *one[1:3], called) for one in found]
    if request.capture:
        moved.append("packets were captured last time, and are not now")
    request = replace(request, targets=tuple(dict.fromkeys(targets)), capture=None)
    job, rules = request.prepare()
    return NextScan(
        review=source,
        started=head.started,
        request=request,
        job=job,
        rules=rules,
        differences=(*moved, *_differences(review, job)),
    )


def _differences(last: Review, job: ScanJob) -> Iterator[str]:
    plan, coverage = job.plan, last.coverage
    routed = {v.name for v in plan.vantages if v.source is None}  # the route decides, as it did last time
    for kind, was, now in (
        ("ports", _ports(coverage.tcp_ports, coverage.udp_ports), _ports(plan.tcp_ports, plan.udp_ports)),
        ("checks", last.head.selected, plan.checks),
        (
            "vantage points",
            [v.name if v.name in routed else v.source or v.name for v in last.vantages],
            [v.source or v.name for v in plan.vantages],
        ),
    ):
        gone, come = sorted(set(was) - set(now)), sorted(set(now) - set(was))
        if gone or come:
            said = [f"only last time: {_some(gone)}"] if gone else []
            said += [f"only now: {_some(come)}"] if come else []
            yield f"{kind}: {'; '.join(said)}"
    before = {(one.role, one.name): one.sha256 for one in last.head.inputs}
    for file in job.inputs:
        key = (file.used.role, file.used.name)
        if key in before and before[key] != file.used.sha256:
            yield f"{file.used.role} {clip(file.used.name)} was changed since"


def _ports(tcp: Iterable[int], udp: Iterable[int]) -> list[str]:
    return [f"{port}/tcp" for port in tcp] + [f"{port}/udp" for port in udp]


def _some(values: list[str]) -> str:
    rest = len(values) - _SHOWN
    return ", ".join(values[:_SHOWN]) + (f" and {rest} more" if rest > 0 else "")
