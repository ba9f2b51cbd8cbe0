"""A scan by workers in three segments with a firewall between: what is declared in vantages.py is what it finds."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from networks.vantages import HOSTS, PORTS, SERVED, declared, policy

from hardenprobe import from_document
from hardenprobe.reports import FORMATS
from hardenprobe.reports.source import of_review
from hardenprobe.reports.survey import Survey

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("three")
    command = (sys.executable, str(Path(__file__).with_name("vantages.py")), str(folder))
    done = subprocess.run(command, capture_output=True, text=True, timeout=180, check=False)
    if done.returncode == 77 and not os.environ.get("CI"):
        pytest.skip(done.stderr.strip())
    assert done.returncode == 0, done.stderr[-4000:]
    return json.loads((folder / "review.json").read_text())


def test_every_service_is_met_from_every_segment_as_declared(review: Mapping[str, Any]) -> None:
    states = {"accepting": "open", "refusing": "closed", "silent": "filtered"}
    labels = {one["id"]: next(i["value"] for i in one["identity"] if i["kind"] == "asset-tag") for one in review["devices"]}  # fmt: skip
    services = {place: service for service, place in PORTS.items()}
    met: dict[tuple[str, str, str], set[str]] = {}
    for seen in review["observations"]:
        where = seen["endpoint"]
        service = services.get((where["transport"], where["port"])) if where else None
        if service and "state" in seen["facts"] and not seen["facts"].get("control"):
            key = (labels[seen["device"]], seen["vantage"], service)
            met.setdefault(key, set()).add(states[seen["facts"]["state"]])
    best = {key: next(word for word in ("open", "closed", "filtered") if word in said) for key, said in met.items()}  # fmt: skip

    assert best == {(tag, vantage, service): state for tag, vantage, service, state in declared()}
    assert {(one["name"], one["source"]) for one in review["vantages"]} == set(HOSTS.items())


def test_every_verdict_of_the_policy_is_the_declared_one(review: Mapping[str, Any]) -> None:
    labels = {one["id"]: next(i["value"] for i in one["identity"] if i["kind"] == "asset-tag") for one in review["devices"]}  # fmt: skip
    services = {place: service for service, place in PORTS.items()}
    said = {
        (labels[r["device"]], r["vantage"], services[r["endpoint"]["transport"], r["endpoint"]["port"]], r["result"])
        for r in review["results"]
        if r["check"] == "segment-reach" and r["endpoint"]
    }  # fmt: skip

    assert said == set(policy())
    assert {word for *_, word in said} == {"pass", "fail", "unknown"}


def test_a_datagram_service_that_another_segment_reaches_passes_where_it_is_silent(
    review: Mapping[str, Any],
) -> None:
    """The UDP rule: silence is a pass, from this vantage point, where another one got an answer to the same query."""
    agent = next(one["id"] for one in review["devices"] if one["addresses"][0]["address"] == "10.78.3.21")
    said = {
        r["vantage"]: (r["result"], r["reason"])
        for r in review["results"]
        if r["check"] == "snmp-default-community-read" and r["device"] == agent
    }
    assert said == {"office": ("fail", None), "printers": ("fail", None), "guests": ("pass", "dropped")}


def test_the_reach_matrix_of_a_report_is_the_declared_one_and_differences_come_first(
    review: Mapping[str, Any],
) -> None:
    found = from_document(review)
    survey = Survey(of_review(found))
    names = [one.name for one in found.vantages]
    words = {"answers": "open", "closed": "closed", "filtered": "filtered"}
    drawn = {
        (row.label, name, row.service): words[cell.met]
        for row in survey.reach
        for name, cell in zip(names, row.cells, strict=True)
    }

    assert drawn == {
        (tag, vantage, service): state
        for tag, vantage, service, state in declared()
        if service in SERVED[tag]  # the others answer from nowhere
    }
    order = [(row.against, row.differs) for row in survey.reach]
    assert order == sorted(order, reverse=True)
    assert {row.service for row in survey.reach if row.against} == {"raw-print"}
    page = io.BytesIO()
    FORMATS["html"](found, page)
    assert "answers, against the policy" in page.getvalue().decode()
