"""Every format says the same of one review: devices, open findings by severity, accepted, not determined."""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter
from collections.abc import Callable
from typing import Any, NamedTuple

import pytest
from defusedxml.ElementTree import fromstring
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from rich.console import Console

from hardenprobe.model import Review, Word
from hardenprobe.reports import terminal
from hardenprobe.testing import sample_review

Written = Callable[[str, Any], bytes]
NOT_DETERMINED = {Word.UNKNOWN, Word.ERROR, Word.NOTCHECKED}


class Totals(NamedTuple):
    devices: int
    high: int
    medium: int
    low: int
    accepted: int
    undetermined: int


def expected(review: Review) -> Totals:
    """The truth, counted from the records alone."""
    severity = Counter(str(r.severity) for r in review.results if r.result is Word.FAIL and not r.exception)
    return Totals(
        len(review.devices),
        severity["high"],
        severity["medium"],
        severity["low"],
        sum(r.result is Word.FAIL and r.exception is not None for r in review.results),
        sum(r.result in NOT_DETERMINED for r in review.results),
    )


def of_json(data: bytes, review: Review) -> Totals:
    document = json.loads(data)
    failed = [r for r in document["results"] if r["result"] == "fail"]
    severity = Counter(r["severity"] for r in failed if not r["exception"])
    return Totals(
        len(document["devices"]),
        severity["high"],
        severity["medium"],
        severity["low"],
        sum(bool(r["exception"]) for r in failed),
        sum(r["result"] in NOT_DETERMINED for r in document["results"]),
    )


def of_csv(data: bytes, review: Review) -> Totals:
    rows = list(csv.DictReader(io.StringIO(data.decode(), newline="")))
    failed = [row for row in rows if row["result"] == "fail"]
    severity = Counter(row["severity"] for row in failed if not row["exception_until"])
    assert {row["review"] for row in rows} == {review.head.id}
    return Totals(
        len({(row["device"], row["addresses"]) for row in rows}),
        severity["high"],
        severity["medium"],
        severity["low"],
        sum(bool(row["exception_until"]) for row in failed),
        sum(row["result"] in NOT_DETERMINED for row in rows),
    )


def of_junit(data: bytes, review: Review) -> Totals:
    root = fromstring(data)
    severity = Counter(one.get("type") for one in root.iter("failure"))
    skipped = [one.get("message") or "" for one in root.iter("skipped")]
    errors = int(root.get("errors") or 0)
    return Totals(
        len(root.findall("testsuite")),
        severity["high"],
        severity["medium"],
        severity["low"],
        sum(one.startswith("fail, accepted") for one in skipped),
        sum(one.startswith(("unknown", "notchecked")) for one in skipped) + errors,
    )


def of_oscal(data: bytes, review: Review) -> Totals:
    (result,) = json.loads(data)["assessment-results"]["results"]
    props = {one["name"]: one["value"] for one in result["props"]}

    def severity_of(risk: Any) -> str | None:
        facets = [facet for one in risk["characterizations"] for facet in one["facets"]]
        return next((facet["value"] for facet in facets if facet["name"] == "severity"), None)

    open_ones = Counter(severity_of(one) for one in result["risks"] if one["status"] == "open")
    return Totals(
        len(result["local-definitions"]["inventory-items"]),
        open_ones["high"],
        open_ones["medium"],
        open_ones["low"],
        sum(one["status"] == "deviation-approved" for one in result["risks"]),
        int(props["results-not-determined"]),
    )


def of_openmetrics(data: bytes, review: Review) -> Totals:
    values: Counter[str] = Counter()
    for family in text_string_to_metric_families(data.decode()):
        for sample in family.samples:
            values[f"{sample.name} {sample.labels.get('severity', '')}".strip()] += sample.value
    findings = [int(values[f"hardenprobe_findings {word}"]) for word in ("high", "medium", "low")]
    return Totals(
        int(values["hardenprobe_devices"]),
        *findings,
        int(values["hardenprobe_findings_accepted"]),
        int(values["hardenprobe_results_undetermined"]),
    )


def of_html(data: bytes, review: Review) -> Totals:
    text = re.sub(r"<(script|style).*?</\1>|<[^>]+>", " ", data.decode(), flags=re.DOTALL)
    found = re.search(
        r"Open findings [\d,]+ , ([\d,]+) high , ([\d,]+) medium , ([\d,]+) low ; ([\d,]+) with a risk acceptance"
        r" Not determined ([\d,]+) of .* ([\d,]+) devices? assessed",
        " ".join(text.split()),
    )
    assert found
    *counts, devices = (int(number.replace(",", "")) for number in found.groups())
    return Totals(devices, *counts)


READ = {
    "json": of_json,
    "csv": of_csv,
    "junit": of_junit,
    "oscal": of_oscal,
    "openmetrics": of_openmetrics,
    "html": of_html,
}


@pytest.mark.slow
@pytest.mark.parametrize("hostile", [False, True])
@pytest.mark.parametrize("kind", READ)
def test_totals_are_those_of_the_records(kind: str, hostile: bool, written: Written) -> None:
    review = sample_review(24, hostile)
    assert READ[kind](written(kind, review), review) == expected(review)
    assert all(expected(review)), "the sample has some of everything"


def test_the_screen_says_the_same() -> None:
    review = sample_review(24)
    out = io.StringIO()
    terminal.show(review, Console(file=out, width=400), details=True)
    said, want = out.getvalue(), expected(review)
    counts = f"{want.high} high !!!, {want.medium} medium !!, {want.low} low !"
    assert counts in said
    results = [r for r in review.results if r.result is not Word.NOTSELECTED]
    assert f"Not determined: {want.undetermined:,} of {len(results):,} results" in said


@pytest.mark.slow
@pytest.mark.peer
@pytest.mark.usefixtures("pango")
def test_paper_says_the_same_and_names_every_finding(written: Written) -> None:
    """Read by pypdf, which others wrote."""
    from pypdf import PdfReader

    review = sample_review(8)
    pages = PdfReader(io.BytesIO(written("pdf", review))).pages
    text = " ".join(page.extract_text() for page in pages)
    plain, want = " ".join(text.split()), expected(review)
    assert f"{want.high} high, {want.medium} medium, {want.low} low" in plain
    squeezed = "".join(text.split())
    assert all(one.finding in squeezed for one in review.findings)
