"""What is open by earlier reviews alone is told in every report: the state of a device is all that is known of it, with its age."""

from __future__ import annotations

import csv
import io
import re
from html import unescape
from typing import Any

import pytest

from hardenprobe.reports import FORMATS, terminal
from hardenprobe.reports.source import of_store

A, B = "192.0.2.7", "192.0.2.8"
RUNS = {22: "ssh", 23: "telnet"}


def told(world: Any, form: str, review: str, day: str | None = None) -> str:
    out = io.BytesIO()
    FORMATS[form](of_store(world.kept, review, day), out)
    return out.getvalue().decode()


def plain(page: str) -> str:
    """The words of a page."""
    return unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", page)))


@pytest.fixture
def silent(world: Any) -> str:
    """The second month: one device is off, and of the other a port is filtered."""
    world.list_device("P-1", A, owner="Print room")
    world.list_device("P-2", B, owner="Archive")
    world.add("one", A, serial="S-1", runs=RUNS)
    world.add("two", B, serial="S-2", runs={**RUNS, 2323: "telnet"})
    world.scan()
    world.boxes["one"].on = False
    world.boxes["two"].runs |= {(B, 23): "filtered", (B, 2323): "refuses"}
    world.later(31)
    review: str = world.scan()
    return review


def test_the_page_names_what_was_not_reassessed_and_why(world: Any, silent: str) -> None:
    said = plain(told(world, "html", silent))
    assert "Not reassessed 2 more findings open by earlier reviews, 2 overdue" in said
    assert "did not assess 2 findings again, so they count as open, and not as fixed" in said
    section = said.split("Open by earlier reviews, not reassessed")[1].split("Devices and findings")[0]
    assert "23/tcp" in section and "2323/tcp" not in section
    assert "the device was not met: silent" in section
    assert "not reachable from this vantage point" in section
    assert section.count("2026-01-05") == 4  # open since, and last seen
    assert {"Print room", "Archive"} <= {word for word in ("Print room", "Archive") if word in section}


def test_the_screen_and_the_metrics_count_it(world: Any, silent: str) -> None:
    screen = io.BytesIO()
    terminal.write(of_store(world.kept, silent), screen)
    assert "2 of earlier reviews not reassessed" in plain(screen.getvalue().decode())
    lines = told(world, "openmetrics", silent).splitlines()
    counts = [line for line in lines if line.startswith("hardenprobe_findings_not_reassessed{")]
    assert 'hardenprobe_findings_not_reassessed{overdue="yes",severity="high"} 2.0' in counts
    assert sum(float(line.split()[-1]) for line in counts) == 2


def test_tickets_have_it_and_a_whole_review_tells_of_nothing(world: Any, silent: str) -> None:
    rows = list(csv.DictReader(io.StringIO(told(world, "tickets", silent))))
    assert [row["owner"] for row in rows if "Not reassessed" in row["text"]] == ["Print room", "Archive"]
    world.boxes["one"].on = True
    world.boxes["two"].runs[B, 23] = "refuses"
    world.later(1)
    assert "not reassessed" not in plain(told(world, "html", world.scan()))


def test_what_was_open_on_a_day_counts_the_rechecks_up_to_it(world: Any) -> None:
    """Fixed and confirmed by a recheck on 2026-01-15; nothing else changed until then."""
    world.list_device("P-1", A)
    world.add("one", A, serial="S-1", runs={**RUNS, 2323: "telnet"})
    first = world.scan()
    world.boxes["one"].runs[A, 23] = "refuses"
    world.later(10)
    world.rechecked(first)
    for day, ports in (("2026-01-14", {"23/tcp", "2323/tcp"}), ("2026-01-15", {"2323/tcp"})):
        rows = list(csv.DictReader(io.StringIO(told(world, "tickets", first, day))))
        assert {row["title"].split("(P-1, ")[1].rstrip(")") for row in rows} == ports
        assert not any("Not reassessed" in row["text"] for row in rows)
    world.later(60)
    world.scan()
    world.later(-65)  # the machine's clock is set back: the scan says so, and it changes no day before it
    world.scan()
    world.boxes["one"].runs[A, 23] = "telnet"
    rows = list(csv.DictReader(io.StringIO(told(world, "tickets", first, "2026-03-20"))))
    assert [row["text"].count("last seen 2026-03-16") for row in rows] == [1]
    again = told(world, "tickets", first)
    assert len(list(csv.DictReader(io.StringIO(again)))) == 2, "the review itself knows of no recheck"


def test_what_is_no_longer_required_stays_so_in_a_review_that_does_not_ask(
    world: Any, tuned_baseline: Any
) -> None:
    world.list_device("P-1", A)
    world.add("one", A, serial="S-1", runs=RUNS)
    world.scan()
    less = tuned_baseline("less/1", drop=("cleartext-telnet",))
    reviews = [
        world.scan(expected=less),
        world.scan(expected=less, only=("cleartext-ftp",)),
        world.scan(expected=less, targets=[B]),
    ]
    for review in reviews:
        assert list(csv.DictReader(io.StringIO(told(world, "tickets", review)))) == []
    back = world.scan(only=("cleartext-ftp",))
    (row,) = csv.DictReader(io.StringIO(told(world, "tickets", back)))
    assert row["first_seen"].startswith("2026-01-05")


def test_the_calendar_of_a_narrow_review_has_the_end_of_every_acceptance(world: Any) -> None:
    world.add("one", A, serial="S-1", runs=RUNS)
    first = world.scan()
    (device,) = (d.id for d in world.kept.load(first).devices)
    until = world.accept(first, device, "cleartext-telnet").until.replace("-", "")
    for only in (("cleartext-telnet", "cleartext-ftp"), ("cleartext-ftp",)):
        review = world.scan(only=only, decisions=world.decisions())
        calendar = told(world, "icalendar", review).replace("\r\n ", "")
        assert re.findall(r"SUMMARY:(Risk acceptance \S+ ends|Due)", calendar) == ["Risk acceptance E-1 ends"]
        assert f"DTSTART;VALUE=DATE:{until}" in calendar
