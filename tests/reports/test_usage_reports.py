"""Users of a service beside the findings and remediations that it has, in every report that shows them."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from openpyxl import load_workbook
from pypdf import PdfReader

from hardenprobe.model.document import SCHEMA_FILE
from hardenprobe.model.usage import UsageSource, Use
from hardenprobe.reports import FORMATS
from hardenprobe.reports.source import of_store
from hardenprobe.reports.usage_text import users
from hardenprobe.store import opening
from hardenprobe.store import usage as kept_usage
from hardenprobe.testing import sample_review

HOSTILE = "=cmd|'/c x'!A1\x1b[31m<script>"


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A store with a review, and with one client of the service of one finding, seen over 15 days."""
    review = sample_review()
    finding = next(
        r for r in review.findings if r.stands and r.endpoint and r.endpoint.transport == "tcp" and r.remedy
    )
    assert finding.endpoint is not None
    device = next(d for d in review.devices if d.id == finding.device)
    source = UsageSource(
        id="u-1", kind="capture", name="a.pcap", sha256="0" * 64, place=HOSTILE, first="2026-11-10T00:00:00Z",
        last="2026-11-25T00:00:00Z", packets=9, devices=tuple(a.address for d in review.devices for a in d.addresses),
    )  # fmt: skip
    use = Use(
        source="u-1", client="192.0.2.40", address=finding.endpoint.address, transport="tcp", port=finding.endpoint.port,
        first="2026-11-11T08:00:00Z", last="2026-11-24T16:30:00Z", conversations=31, bytes_sent=812345, bytes_received=9,
    )  # fmt: skip
    store = tmp_path_factory.mktemp("store") / "store.db"
    with opening.opened(str(store)) as kept:
        kept.save(review)
        kept_usage.keep(kept, source, [use])
        yield kept, finding, device


def written(case: Any, kind: str, **options: Any) -> bytes:
    out = io.BytesIO()
    FORMATS[kind](of_store(case[0], "latest"), out, **options)
    return out.getvalue()


def test_json_has_the_users_of_each_finding_as_its_schema_says(case: Any) -> None:
    document = json.loads(written(case, "json"))
    jsonschema.validate(document, json.loads(SCHEMA_FILE.read_text()))
    usage = document["usage"][case[1].finding]

    assert (usage["state"], usage["days"]) == ("used", 15.0)
    assert [(user["client"], user["conversations"]) for user in usage["users"]] == [("192.0.2.40", 31)]
    assert {one["state"] for key, one in document["usage"].items() if key != case[1].finding} <= {
        "used",
        "no-use-seen",
        "not-covered",
    }
    assert document["usage_sources"][0]["place"] == HOSTILE


def test_the_terminal_names_whom_to_coordinate_with_and_what_can_be_made_at_once(case: Any) -> None:
    text = written(case, "text", details=True).decode()

    assert "Coordinate with 1 client of" in text
    assert f"{case[1].endpoint.port}/tcp on {case[2].label}: 1 client in 15 days" in " ".join(text.split())
    assert "Can be made at once: no use seen in at least 15 days" in text
    assert "unused" not in text and "\x1b" not in text


def test_the_page_and_the_worksheet_list_them_and_stay_harmless(case: Any) -> None:
    page = written(case, "html").decode()
    book = load_workbook(io.BytesIO(written(case, "worksheet")))
    rows = [row for sheet in book for row in sheet.iter_rows(values_only=True)]

    assert "Coordinate with 1 client of" in page
    assert "<script>alert" not in page and HOSTILE not in page
    assert any("192.0.2.40" in str(cell) for row in rows for cell in row)
    assert not any(str(cell).startswith("=") for row in rows for cell in row)


@pytest.mark.slow
def test_every_format_that_shows_a_finding_names_its_users(case: Any) -> None:
    """CSV, tickets, OSCAL and the page on paper, each beside that finding and in the same words."""
    kept, finding, _ = case
    said = " ".join(users(of_store(kept, "latest").users(case[2], finding.endpoint)).split())
    rows = list(csv.DictReader(io.StringIO(written(case, "csv").decode())))
    tickets = list(csv.DictReader(io.StringIO(written(case, "tickets").decode())))
    risks = json.loads(written(case, "oscal"))["assessment-results"]["results"][0]["risks"]
    (risk,) = (one for one in risks if any(p["value"] == finding.finding for p in one["props"]))
    props = {p["name"]: p["value"] for response in risk["remediations"] for p in response.get("props", ())}

    assert "1 client in 15 days" in said and said.endswith("192.0.2.40")
    assert {" ".join(row["users"].split()) for row in rows if row["finding"] == finding.finding} == {said}
    assert any(f"Users: {said}." in row["text"] for row in tickets)
    assert " ".join(props["users"].split()) == said
    paper = PdfReader(io.BytesIO(written(case, "pdf")))
    printed = "".join("".join(page.extract_text().split()) for page in paper.pages)
    assert "Users:1clientin15days" in printed and "192.0.2.40" in printed


def test_at_once_needs_as_many_days_as_the_baseline_asks_for(case: Any) -> None:
    source = of_store(case[0], "latest")
    baselines = {piece.device.baseline.name: 30 for piece in source.pieces() if piece.device.baseline}
    outline = replace(source.outline, head=replace(source.outline.head, usage_days=baselines))
    out = io.BytesIO()
    FORMATS["text"](replace(source, outline=outline), out, details=True)

    assert baselines and "at once" not in out.getvalue().decode()
    assert "Users not determined" in out.getvalue().decode()


def test_without_evidence_of_use_nothing_is_said_of_it(tmp_path: Path) -> None:
    with opening.opened(str(tmp_path / "store.db")) as kept:
        kept.save(replace(sample_review()))
        document = json.loads(written((kept,), "json"))
        text = written((kept,), "text", details=True).decode()

    assert "usage" not in document
    assert "Users not determined" not in text and "at once" not in text
