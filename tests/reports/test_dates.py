"""First seen, due, overdue and owner in every format; tickets, a calendar, and what was known on a day.

Two reviews of the same three devices, a month apart; the third device is off in the second. High is due after 14 days.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from hardenprobe.errors import UsageError
from hardenprobe.model import Accepted, Review
from hardenprobe.model.document import SCHEMA_FILE, from_document
from hardenprobe.reports.open_findings import open_rows
from hardenprobe.reports.source import of_review, of_store
from hardenprobe.store.opening import opened
from hardenprobe.store.store import Store
from hardenprobe.testing import sample_review

Written = Callable[[str, Any], bytes]
DUE = {"office-default": {"high": 14, "medium": 90, "low": None}}
FLEET = sample_review(3)
AWAY = FLEET.devices[2]


def month(number: int, gone: bool = False) -> Review:
    started = f"2026-0{number}-02T21:00:00Z"
    head = replace(
        FLEET.head, id=f"r{number}", started=started, due_days=DUE, previous=None, previous_digest=None
    )
    if not gone:
        return replace(FLEET, head=head)
    devices = FLEET.devices[:2]
    ids = {device.id for device in devices}
    return replace(
        FLEET,
        head=head,
        devices=devices,
        results=tuple(r for r in FLEET.results if r.device in ids),
        observations={id: seen for id, seen in FLEET.observations.items() if id in ids},
    )


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Store]:
    with opened(str(tmp_path / "store.db")) as store:
        store.save(month(2))
        store.save(month(3, gone=True))
        yield store


def rows(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode())))


def test_the_table_has_owner_and_dates_of_findings_alone(written: Written, kept: Store) -> None:
    found = rows(written("csv", of_store(kept, "r3")))
    assert {row["owner"] for row in found} == {"Facilities"}
    told = {
        (row["severity"], row["first_seen"], row["open_since"], row["due"], row["overdue"])
        for row in found
        if row["result"] == "fail"
    }
    first = "2026-02-02T21:00:00Z"
    assert told == {
        ("high", first, first, "2026-02-16", "yes"),
        ("medium", first, first, "2026-05-03", "no"),
        ("low", first, first, "", "no"),
    }
    assert {row["first_seen"] for row in found if row["result"] != "fail"} == {""}


def test_the_document_has_dates_by_finding_keeps_to_its_schema_and_is_read_back(
    written: Written, kept: Store
) -> None:
    document = json.loads(written("json", of_store(kept, "r3")))
    jsonschema.Draft202012Validator(json.loads(SCHEMA_FILE.read_text())).validate(document)
    failed = {r["finding"]: r["severity"] for r in document["results"] if r["result"] == "fail"}
    assert document["dates"].keys() == failed.keys()
    assert {failed[key] for key, dates in document["dates"].items() if dates["overdue"]} == {"high"}
    assert from_document(document) == kept.load("r3")


def test_other_formats_say_the_same(written: Written, kept: Store) -> None:
    source = of_store(kept, "r3")
    junit = written("junit", source).decode()
    assert "First seen: 2026-02-02T21:00:00Z" in junit and "Due: 2026-02-16, overdue" in junit
    assert "Owner: Facilities" in junit
    metrics = written("openmetrics", source).decode()
    assert 'hardenprobe_findings_by_owner{overdue="yes",owner="Facilities"} 2.0' in metrics
    assert 'hardenprobe_findings_by_owner{overdue="no",owner="Facilities"} 3.0' in metrics


def test_the_worksheet_has_the_day_that_comes_first(written: Written, kept: Store) -> None:
    from openpyxl import load_workbook

    sheet = load_workbook(io.BytesIO(written("worksheet", of_store(kept, "r3"))))["Facilities"]
    header, *lines = sheet.iter_rows(values_only=True)
    found = [dict(zip(header, line, strict=True)) for line in lines]
    telnet = [row for row in found if row["Remediation"] == "Switch telnet off"]
    assert {(row["Open since"], row["Due"], row["Overdue"]) for row in telnet} == {
        ("2026-02-02", "2026-02-16", "yes")
    }


def test_tickets_are_the_open_findings_of_every_device_under_keys_that_stay(
    written: Written, kept: Store
) -> None:
    before, after = (rows(written("tickets", of_store(kept, name))) for name in ("r2", "r3"))
    assert {row["key"] for row in before} == {row["key"] for row in after}
    assert len(before) == len({f.finding for f in FLEET.findings})
    away = [row for row in after if row["device"] == AWAY.label]
    assert len(away) == 2
    assert all("Not reassessed by review r3: " in row["text"] for row in away)
    (telnet,) = [row for row in after if row["severity"] == "high" and row["device"] == "HO-0101"]
    assert (telnet["owner"], telnet["due"], telnet["overdue"]) == ("Facilities", "2026-02-16", "yes")
    assert telnet["title"].startswith("A port speaks telnet (HO-0101, ")


def test_what_is_accepted_is_no_ticket(written: Written) -> None:
    first = FLEET.findings[0]
    accepted = replace(first, exception=Accepted(id="E-1", until="2026-12-31"))
    review = replace(FLEET, results=tuple(accepted if r is first else r for r in FLEET.results))
    keys = {row["key"] for row in rows(written("tickets", review))}
    assert keys == {f.finding for f in FLEET.findings} - {first.finding}
    later = replace(of_review(review), day="2027-01-01")
    assert first.finding in {one.key for one in open_rows(later) if not one.accepted(later.day)}


@pytest.mark.parametrize("hostile", [False, True])
def test_the_calendar_is_read_by_another_program(written: Written, kept: Store, hostile: bool) -> None:
    """Read by the registry package icalendar; lines and their lengths by RFC 5545 section 3.1."""
    icalendar = pytest.importorskip("icalendar")
    what: Any = of_store(kept, "r3")
    if hostile:
        made = sample_review(8, hostile=True)
        what = replace(
            made,
            head=replace(
                made.head, due_days={d.baseline.name: {"high": 14} for d in made.devices if d.baseline}
            ),
        )
    data = written("icalendar", what)
    assert data.endswith(b"\r\n") and b"\n" not in data.replace(b"\r\n", b"")
    assert max(map(len, data.split(b"\r\n"))) <= 75
    calendar = icalendar.Calendar.from_ical(data)
    events = list(calendar.walk("VEVENT"))
    assert len({event["UID"] for event in events}) == len(events) > 0
    if not hostile:
        days = [event["DTSTART"].dt.isoformat() for event in events]
        assert sorted(set(days)) == ["2026-02-16", "2026-05-03", "2026-06-30"]
        assert any("Risk acceptance E-4 ends" in event["SUMMARY"] for event in events)


def test_as_of_a_day_is_the_newest_scan_until_then(kept: Store) -> None:
    assert of_store(kept, "latest", "2026-03-01").outline.head.id == "r2"
    assert of_store(kept, "latest", "2026-03-02").outline.head.id == "r3"
    overdue = {
        one.result.severity for one in open_rows(of_store(kept, "latest", "2026-03-01")) if one.dates.overdue
    }
    assert overdue == {"high"}
    assert not any(one.dates.overdue for one in open_rows(of_store(kept, "latest", "2026-02-16")))
    with pytest.raises(UsageError, match="began on 2026-02-01 or before"):
        of_store(kept, "latest", "2026-02-01")
    with pytest.raises(UsageError, match="is no day"):
        of_store(kept, "latest", "1 March")
