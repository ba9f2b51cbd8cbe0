"""Three runs of the lab find the same: findings, scores and severities, and the keys that devices show."""

from __future__ import annotations

import asyncio

import pytest

from hardenprobe.demo_lab.process import running_lab
from hardenprobe.demo_lab.scan_lab import order
from hardenprobe.library import scan_and_judge
from hardenprobe.model import Review

pytestmark = [pytest.mark.slow, pytest.mark.timeout(120)]

# One that closes on strangers, one with RSA and DSA host keys, one with old TLS.
ADDRESSES = [f"127.77.0.{n}" for n in (12, 21, 100)]


def found(review: Review) -> set[tuple[object, ...]]:
    label = {one.id: one.label for one in review.devices}
    return {
        (
            one.finding, label[one.device], one.check, one.endpoint and (one.endpoint.address, one.endpoint.port),
            one.subject, one.score, one.severity, one.remedy,
        )
        for one in review.findings
    }  # fmt: skip


def test_three_runs_find_the_same() -> None:
    reviews = []
    for _ in range(3):
        with running_lab(addresses=ADDRESSES) as lab:
            reviews.append(asyncio.run(scan_and_judge(*order(lab, ADDRESSES))))

    first, *others = reviews
    assert len(found(first)) > 20
    for other in others:
        assert found(other) == found(first)
        assert [(d.id, d.identity) for d in other.devices] == [(d.id, d.identity) for d in first.devices]
        assert [(a.remedy.id, a.risk_removed, a.placed) for a in other.what_first] == [
            (a.remedy.id, a.risk_removed, a.placed) for a in first.what_first
        ]
