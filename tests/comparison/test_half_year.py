"""Half a year of a fleet whose truth is written down first: every comparison, and the last review in every format, are held to it.

Fifteen reviews, thirteen days apart; what happens before which review:

P-01 closes one of two Telnet ports (3) and opens it again (8). P-02's port is filtered (4). P-03 loses all that identifies it,
under a risk acceptance (4). A clone of P-04 appears (6). P-05 is listed for the first time (4) and retagged (8). 192.0.2.6 has
SNMP switched off (5) and moves to .66 (7). P-07 loses one of its two addresses (6). P-08 vanishes (3). P-09's risk acceptance
expires (4), and the clock is set back into its days for one review (9). P-10's accepted key gets weaker (4). Reviews 5 and 6
ask fewer ports; 10 and 11 are judged by a baseline without FTP; 13 asks from elsewhere; 14 is interrupted before P-12.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from datetime import date, timedelta
from html import unescape
from typing import Any, NamedTuple
from xml.etree import ElementTree

import pytest
from openpyxl import load_workbook

from hardenprobe.comparison.records import Kind
from hardenprobe.lifecycle import device_history, device_lookup
from hardenprobe.reports import FORMATS
from hardenprobe.reports.source import of_store

TELNET, FTP, KEY = "cleartext-telnet", "cleartext-ftp", "tls-weak-key"
FIRST, DAYS, CLOCK_BACK = date(2026, 1, 5), 13, 9
DUE_DAYS = {"high": 30, "medium": 90, "low": 180}  # office-device/1
AT = {n: f"192.0.2.{n}" for n in range(1, 70)}
NARROW = (22, 23, 80, 443)


def day(review: int) -> date:
    return FIRST + timedelta(DAYS * (review - 1))


class Open(NamedTuple):
    """A finding that is open at the end: since when, and by which reviews it was seen first and last."""

    first: int
    since: int
    last: int = 15
    why: str = ""


OPEN_AT_THE_END = {
    ("P-01", TELNET, "23/tcp"): Open(1, 8),
    ("P-01", TELNET, "2323/tcp"): Open(1, 1),
    ("P-02", TELNET, "23/tcp"): Open(1, 1, 3, "not reachable from this vantage point"),
    ("P-03", TELNET, "23/tcp"): Open(1, 1),
    ("P-04", TELNET, "23/tcp"): Open(1, 1),
    ("192.0.2.44", TELNET, "23/tcp"): Open(6, 6),
    ("Q-05", TELNET, "23/tcp"): Open(1, 1),
    ("192.0.2.66", TELNET, "23/tcp"): Open(1, 1),
    ("P-07", FTP, "21/tcp at 192.0.2.7"): Open(1, 1),
    ("P-07", FTP, "21/tcp at 192.0.2.47"): Open(1, 1, 4, "not reached at 192.0.2.47"),
    ("P-08", TELNET, "23/tcp"): Open(1, 1, 2, "the device was not met: silent"),
    ("P-09", TELNET, "23/tcp"): Open(1, 1),
    ("P-10", KEY, "443/tcp"): Open(1, 1),
    ("P-11", FTP, "2121/tcp"): Open(1, 1),
    ("P-12", FTP, "21/tcp"): Open(1, 1),
}

CHANGED = {
    (3, Kind.FIXED): {("P-01", "23/tcp")},
    (8, Kind.REOPENED): {("P-01", "23/tcp")},
    (6, Kind.NEW): {("192.0.2.44", "23/tcp")},
    (2, Kind.ACCEPTED): {("P-09", "23/tcp")},
    (3, Kind.ACCEPTED): {("P-03", "23/tcp"), ("P-10", "443/tcp")},
    (4, Kind.NOT_ACCEPTED): {("P-03", "23/tcp"), ("P-09", "23/tcp"), ("P-10", "443/tcp")},
    (10, Kind.NOT_REQUIRED): {
        ("P-07", "21/tcp at 192.0.2.7"),
        ("P-07", "21/tcp at 192.0.2.47"),
        ("P-11", "2121/tcp"),
        ("P-12", "21/tcp"),
    },
}
"""What each review changes beside what it could not assess; its comparison with the one before says nothing else."""

SAID_OF_EVERY_REVIEW = {Kind.UNCHANGED, Kind.NOT_REASSESSED}


@pytest.fixture
def reviews(world: Any, tuned_baseline: Any) -> list[str]:
    """Make the reviews."""
    owner = {"owner": "Print room"}
    for n, runs in (
        (1, {23: "telnet", 2323: "telnet"}), (2, {23: "telnet"}), (3, {23: "telnet"}), (5, {23: "telnet"}), (8, {23: "telnet"}),
        (9, {23: "telnet"}), (11, {2121: "ftp"}), (12, {21: "ftp"}),
    ):  # fmt: skip
        world.add(f"b{n}", AT[n], serial=f"S-{n}", runs={22: "ssh", **runs})
    world.add("b4", AT[4], serial="S-4", engine="8000000004", boots=3, runs={23: "telnet"})
    world.add("b6", AT[6], serial="S-6", key="66" * 32, runs={23: "telnet"})
    world.add("b7", AT[7], AT[47], serial="S-7", engine="8000000007", runs={21: "ftp"})
    world.add("b10", AT[10], serial="S-10", key="10" * 32, bits=1024)
    for n in (1, 2, 3, 4, 8, 9, 10, 11, 12):
        world.list_device(f"P-{n:02}", AT[n], **owner)
    world.list_device("P-07", AT[7], AT[47], **owner)
    less = tuned_baseline("less/1", drop=(FTP,))
    box = world.boxes

    def retag() -> None:
        del world.listed["P-05"]
        world.list_device("Q-05", AT[5], **owner)

    def move() -> None:
        box["b6"].addresses, box["b6"].runs = [AT[66]], {(AT[66], 23): "telnet"}

    events: dict[int, list[Callable[[], Any]]] = {
        3: [lambda: box["b1"].runs.update({(AT[1], 23): "refuses"}), lambda: setattr(box["b8"], "on", False)],
        4: [
            lambda: box["b2"].runs.update({(AT[2], 23): "filtered"}),
            lambda: world.list_device("P-05", AT[5], serial="S-5", **owner),
            lambda: setattr(box["b10"], "bits", 512),
            lambda: setattr(box["b3"], "snmp", False),
        ],
        5: [lambda: setattr(box["b6"], "snmp", False)],
        6: [
            lambda: world.add("c4", AT[44], serial="S-4", engine="8000000004", boots=9, runs={23: "telnet"}),
            lambda: setattr(box["b7"], "addresses", [AT[7]]),
        ],
        7: [move],
        8: [lambda: box["b1"].runs.update({(AT[1], 23): "telnet"}), retag],
    }
    made: list[str] = []
    for n in range(1, 16):
        for event in events.get(n, ()):
            event()
        true = world.now
        if n == CLOCK_BACK:
            world.later(-84)  # the day before the last one of P-09's acceptance
        made.append(
            world.scan(
                only=(TELNET, FTP, KEY), decisions=world.decisions(),
                ports=NARROW if n in (5, 6) else (*NARROW, 21, 2121, 2323),
                head={"narrowed": ("ports",)} if n in (5, 6) else None,
                source="198.51.100.9" if n == 13 else "192.0.2.1", unfinished=[AT[12]] if n == 14 else (),
                **({"expected": less} if n in (10, 11) else {}),
            )
        )  # fmt: skip
        if n == 1:
            world.accept(made[0], "P-09", TELNET, 30)
        if n == 2:
            world.accept(made[1], "P-03", TELNET, 30)
            world.accept(made[1], "P-10", KEY, 30)
        world.now = true
        world.later(DAYS)
    return made


def spot(device: Any, endpoint: Any) -> str:
    return place_of(endpoint, 2 if device.asset_tag == "P-07" else 1)


def place_of(endpoint: Any, addresses: int) -> str:
    return f"{endpoint.port}/{endpoint.transport}" + (f" at {endpoint.address}" if addresses > 1 else "")


def told(world: Any, form: str, review: str, day: str | None = None) -> bytes:
    out = io.BytesIO()
    FORMATS[form](of_store(world.kept, review, day), out)
    return out.getvalue()


@pytest.mark.slow
def test_half_a_year_is_told_as_it_was(world: Any, reviews: list[str]) -> None:
    hold_comparisons(world, reviews)
    hold_whole_span(world, reviews)
    hold_reports(world, reviews)
    hold_history(world, reviews)


def hold_comparisons(world: Any, reviews: list[str]) -> None:
    found: dict[tuple[int, Kind], set[tuple[str, str]]] = {}
    for n in range(2, 16):
        for one in world.compare(reviews[n - 2], reviews[n - 1]):
            for change in one.changes:
                if change.kind not in SAID_OF_EVERY_REVIEW:
                    label = one.device.label
                    found.setdefault((n, change.kind), set()).add((label, spot(one.device, change.endpoint)))
    back = {key: some for key, some in found.items() if key[0] == 12}
    assert not back, "restoring a baseline starts nothing anew"
    assert found == CHANGED
    for n in range(3, 16):  # a device that vanished is named every month, with its finding and why
        (gone,) = (d for d in world.compare(reviews[n - 2], reviews[n - 1]) if d.device.asset_tag == "P-08")
        assert gone.met in ("before", "neither") and gone.last_met and gone.not_met
        assert gone.last_met[:10] == day(2).isoformat()
        assert [c.kind for c in gone.changes] == [Kind.NOT_REASSESSED]


def hold_whole_span(world: Any, reviews: list[str]) -> None:
    kinds = {
        (one.device.label, change.check, spot(one.device, change.endpoint)): change
        for one in world.compare(reviews[0], reviews[-1])
        for change in one.changes
    }
    assert kinds.keys() == OPEN_AT_THE_END.keys()
    for key, expected in OPEN_AT_THE_END.items():
        change = kinds[key]
        told_dates = [at and at[:10] for at in (change.first_seen, change.open_since, change.last_seen)]
        assert told_dates == [day(n).isoformat() for n in (expected.first, expected.since, expected.last)], (
            key
        )
        if expected.why:
            assert change.kind is Kind.NOT_REASSESSED and expected.why in change.causes[0].text
        elif key[0] == "192.0.2.44":
            assert change.kind is Kind.NEW
        elif expected.since > 1:
            assert change.kind is Kind.REOPENED
        else:
            assert change.kind in (Kind.UNCHANGED, Kind.WORSENED)


def hold_reports(world: Any, reviews: list[str]) -> None:
    last, today = reviews[-1], day(15).isoformat()
    device = {d.id: d for d in world.kept.load(last).devices}
    severity = {(device[r.device].label, r.check): str(r.severity) for r in world.kept.load(last).findings}
    assessed = {key: one for key, one in OPEN_AT_THE_END.items() if not one.why}

    def due(key: tuple[str, str, str]) -> str:
        word = severity.get(key[:2], severity["P-01", TELNET])
        return (day(OPEN_AT_THE_END[key].since) + timedelta(DUE_DAYS[word])).isoformat()

    rows = list(csv.DictReader(io.StringIO(told(world, "tickets", last).decode())))
    assert len(rows) == len(OPEN_AT_THE_END) == len({row["key"] for row in rows})
    for row in rows:
        port = re.search(r"\d+/tcp", row["title"])
        assert port
        (key,) = (
            k
            for k in OPEN_AT_THE_END
            if k[0] == row["device"]
            and k[2].startswith(port[0])
            and ("at" not in k[2] or k[2].split()[-1] in row["title"].replace("]", ")").replace(")", " ").split())
        ) if row["device"] != "P-07" else (
            k for k in OPEN_AT_THE_END if k[0] == "P-07" and ("47" in k[2]) == ("192.0.2.47" in row["title"] + row["text"])
        )  # fmt: skip
        expected = OPEN_AT_THE_END[key]
        assert row["first_seen"][:10] == day(expected.first).isoformat()
        assert (row["due"], row["overdue"]) == (due(key), "yes" if due(key) < today else "no")
        assert row["owner"] == ("" if key[0].startswith("192") else "Print room")
        assert ("Not reassessed" in row["text"]) == bool(expected.why) and expected.why in row["text"]

    # What the review itself assessed: the same dates in every other format.
    lines = list(csv.DictReader(io.StringIO(told(world, "csv", last).decode())))
    failed = [
        (r["device"], r["check"], r["first_seen"][:10], r["due"]) for r in lines if r["result"] == "fail"
    ]
    wanted = sorted((k[0], k[1], day(one.first).isoformat(), due(k)) for k, one in assessed.items())
    assert sorted(failed) == wanted

    document = json.loads(told(world, "json", last))
    dated = document["dates"].values()
    assert sorted((d["first_seen"][:10], d["due"]) for d in dated) == sorted(w[2:] for w in wanted)

    book = load_workbook(io.BytesIO(told(world, "worksheet", last)))
    head, *cells = book["Print room"].iter_rows(values_only=True)
    written = [dict(zip(head, row, strict=True)) for row in cells]
    written += [
        dict(zip(head, row, strict=True)) for row in [*book["no owner"].iter_rows(values_only=True)][1:]
    ]
    assert sorted((r["Device"], str(r["First seen"])[:10], str(r["Due"])[:10]) for r in written) == sorted(
        (w[0], *w[2:]) for w in wanted
    )
    first = " ".join(str(row[0]) for row in book["Read first"].iter_rows(values_only=True))
    assert "3 more findings of earlier reviews are open" in first

    cases = ElementTree.fromstring(told(world, "junit", last)).iter("failure")
    assert sum("First seen: " in (case.text or "") and "Due: " in (case.text or "") for case in cases) == len(
        wanted
    )

    metrics = told(world, "openmetrics", last).decode()
    carried = re.findall(r"^hardenprobe_findings_not_reassessed\{.*\} (\S+)$", metrics, re.MULTILINE)
    assert sum(map(float, carried)) == 3

    page = unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", told(world, "html", last).decode())))
    section = page.split("Open by earlier reviews, not reassessed")[-1].split("Devices and findings")[0]
    for key, one in OPEN_AT_THE_END.items():
        assert (one.why in section) if one.why else (key[0] not in section or key[0] == "P-07"), key

    calendar = told(world, "icalendar", last).decode().replace("\r\n ", "")
    assert calendar.count("SUMMARY:Due") == len(OPEN_AT_THE_END)
    assert "Risk acceptance" not in calendar, "all of them are over"

    # On the day of the eleventh review nothing of FTP was required, and P-01 was open again.
    then = list(
        csv.DictReader(
            io.StringIO(told(world, "tickets", last, (day(12) - timedelta(1)).isoformat()).decode())
        )
    )
    assert len(then) == sum(key[1] != FTP for key in OPEN_AT_THE_END)


def hold_history(world: Any, reviews: list[str]) -> None:
    for label, met in (("Q-05", 15), ("P-08", 2), ("192.0.2.66", 15)):
        events = device_history.events(world.kept, device_lookup.find(world.kept, label))
        assert sum(one.what in ("first-seen", "seen") for one in events) == met
        assert sum(one.what == "not-met" for one in events) == 15 - met
        assert "merged" not in {one.what for one in events}
    for one in world.decisions().exceptions:
        assert one.expired
