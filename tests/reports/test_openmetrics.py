"""OpenMetrics, read back by the parser of the reference client library."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from hardenprobe.model import Review, Word
from hardenprobe.reports import openmetrics
from hardenprobe.testing import HOSTILE, sample_review

Written = Callable[[str, Any], bytes]
Samples = dict[str, dict[tuple[tuple[str, str], ...], float]]


def read(written: Written, review: Review) -> Samples:
    """Sample name, then labels, to value."""
    found: Samples = {}
    for family in text_string_to_metric_families(written("openmetrics", review).decode("utf-8")):
        assert family.documentation
        for sample in family.samples:
            found.setdefault(sample.name, {})[tuple(sorted(sample.labels.items()))] = sample.value
    return found


def test_counts_are_those_of_the_review(written: Written) -> None:
    review = sample_review(24)
    found = read(written, review)
    assert sum(found["hardenprobe_devices"].values()) == 24
    results = Counter((("check", r.check), ("result", str(r.result))) for r in review.results)
    assert found["hardenprobe_results"] == results
    standing = Counter(
        (("check", r.check), ("severity", str(r.severity))) for r in review.results if r.stands
    )
    assert {labels: n for labels, n in found["hardenprobe_findings"].items() if n} == standing
    assert found["hardenprobe_findings_accepted"] == {(): sum(bool(r.exception) for r in review.results)}
    untold = (Word.UNKNOWN, Word.ERROR, Word.NOTCHECKED)
    assert found["hardenprobe_results_undetermined"] == {(): sum(r.result in untold for r in review.results)}
    assert found["hardenprobe_cost_connections"] == {(): 41 * 24}


def test_a_check_without_findings_is_zero_and_not_absent(written: Written) -> None:
    found = read(written, sample_review(3))["hardenprobe_findings"]
    assert found[(("check", "discovery-mdns"), ("severity", "high"))] == 0


def test_times_are_seconds_since_the_epoch(written: Written) -> None:
    found = read(written, sample_review(1))
    started = datetime(2026, 3, 2, 21, 0, 0, tzinfo=UTC).timestamp()
    assert found["hardenprobe_review_started_timestamp_seconds"] == {(): started}
    assert found["hardenprobe_review_finished_timestamp_seconds"] == {(): started + 462}


def test_an_unfinished_review_has_no_end(written: Written) -> None:
    review = sample_review(1)
    found = read(written, replace(review, head=replace(review.head, finished=None)))
    assert "hardenprobe_review_finished_timestamp_seconds" not in found


def test_no_device_is_named_and_hostile_text_is_read_back_as_text(written: Written) -> None:
    review = sample_review(8, hostile=True)
    review = replace(review, devices=tuple(replace(d, kind=HOSTILE[n]) for n, d in enumerate(review.devices)))
    text = written("openmetrics", review).decode("utf-8")
    assert all(char == "\n" or char.isprintable() for char in text)
    assert not any(device.id in text or device.addresses[0].address in text for device in review.devices)
    kinds = {dict(labels)["kind"] for labels in read(written, review)["hardenprobe_devices"]}
    assert {one for one in HOSTILE if one.isprintable()} <= kinds


def test_series_are_bounded(written: Written, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(openmetrics, "MOST", 2)
    found = read(written, sample_review(8))["hardenprobe_results"]
    checks = {dict(labels)["check"] for labels in found}
    assert len(checks) == 3 and "other" in checks
    assert sum(found.values()) == len(sample_review(8).results)
