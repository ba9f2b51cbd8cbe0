"""What is known of a finding: open, absent, or not assessed. Each test writes a truth down, scans it, and holds every word
of the comparison against it. Sources: SP 800-115 section 7 (what an assessment did not cover is a limitation and no result),
NIST SP 800-53A (a finding rests on what was assessed); what follows from them here is common practice.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from hardenprobe.comparison.causes import VerdictBasis, behind, causes
from hardenprobe.comparison.comparable import newest_pair
from hardenprobe.comparison.finding_state import Known
from hardenprobe.comparison.records import Change, Kind, Why
from hardenprobe.comparison.stored import Comparison, devices_of, reviews_until, visits_of
from hardenprobe.comparison.timelines import timelines
from hardenprobe.decisions import device_register
from hardenprobe.decisions.entry import Draft
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.decisions.statements import Statement
from hardenprobe.errors import UsageError
from hardenprobe.lifecycle import device_history, device_lookup
from hardenprobe.model import Device
from hardenprobe.store.journal import ScanRecord
from hardenprobe.store.ledger import Ledger
from hardenprobe.store.persistence import Keeper

A, B, C, D = "192.0.2.7", "192.0.2.8", "192.0.2.9", "192.0.2.10"
TELNET, FTP = "cleartext-telnet", "cleartext-ftp"
TWO = {22: "ssh", 23: "telnet", 2323: "telnet"}


def said(change: Change) -> tuple[Kind, list[Why]]:
    return change.kind, [cause.why for cause in change.causes]


@pytest.fixture
def one(world: Any) -> Any:
    """A listed device with telnet at two ports and FTP."""
    world.list_device("P-1", A)
    return world.add("P-1", A, serial="S-1", runs={**TWO, 21: "ftp"})


# --- not asked is not fixed


@pytest.mark.parametrize("narrowed", [{"ports": (22, 23)}, {"only": ("cleartext-telnet",)}])
def test_what_was_not_asked_is_not_fixed_and_did_not_come_back(
    world: Any, one: Any, narrowed: dict[str, Any]
) -> None:
    first = world.scan()
    world.later()
    narrow = world.scan(**narrowed)
    world.later()
    last = world.scan()
    before, after = world.changes(first, narrow), world.changes(narrow, last)
    assert said(before["P-1", FTP, 21]) == (Kind.NOT_REASSESSED, [Why.NOT_ASKED])
    assert Kind.FIXED not in {change.kind for change in before.values()}
    assert {change.kind for change in after.values()} == {Kind.UNCHANGED}
    assert {change.open_since[:10] for change in after.values()} == {"2026-01-05"}


def test_a_pass_of_the_device_covers_only_the_places_that_were_looked_at(world: Any, one: Any) -> None:
    first = world.scan()
    one.runs[A, 2323] = "refuses"
    one.runs[A, 23] = "refuses"
    world.later()
    second = world.scan(ports=(22, 23))
    found = world.changes(first, second)
    assert found["P-1", TELNET, 23].kind is Kind.FIXED
    assert said(found["P-1", TELNET, 2323]) == (Kind.NOT_REASSESSED, [Why.NOT_ASKED])


def test_fewer_targets_is_not_asked(world: Any) -> None:
    world.add("one", A, serial="S-1", runs=TWO)
    world.add("two", B, serial="S-2", runs=TWO)
    first = world.scan()
    world.later()
    second = world.scan(targets=[A])
    assert said(world.changes(first, second)[B, TELNET, 23]) == (Kind.NOT_REASSESSED, [Why.NOT_ASKED])


def test_an_interrupted_scan_says_so(world: Any, one: Any) -> None:
    world.list_device("P-2", B)
    world.add("P-2", B, serial="S-2", runs=TWO)
    first = world.scan()
    world.later()
    second = world.scan(unfinished=[B])
    change = world.changes(first, second)["P-2", TELNET, 23]
    assert said(change) == (Kind.NOT_REASSESSED, [Why.NOT_ASKED])
    assert change.causes[0].text.startswith("interrupted")


# --- filtered is not fixed


def test_a_port_that_is_filtered_now_stays_open(world: Any, one: Any) -> None:
    first = world.scan()
    one.runs[A, 23] = "filtered"
    world.later()
    second = world.scan()
    change = world.changes(first, second)["P-1", TELNET, 23]
    assert said(change) == (Kind.NOT_REASSESSED, [Why.NOT_REACHED])
    assert "not reachable from this vantage point" in change.causes[0].text
    one.runs[A, 2323] = "filtered"
    world.later()
    third = world.scan()
    found = world.changes(second, third)
    assert {found["P-1", TELNET, port].kind for port in (23, 2323)} == {Kind.NOT_REASSESSED}
    assert found["P-1", TELNET, 23].days_open == 60


# --- a real repair is seen


@pytest.mark.parametrize("other", ["telnet", "filtered", "mute"])
def test_one_of_two_ports_that_was_closed_is_fixed(world: Any, one: Any, other: str) -> None:
    first = world.scan()
    one.runs[A, 23] = "refuses"
    one.runs[A, 2323] = other
    world.later()
    second = world.scan()
    found = world.changes(first, second)
    assert said(found["P-1", TELNET, 23]) == (Kind.FIXED, [Why.DEVICE])
    assert found["P-1", TELNET, 2323].kind is (Kind.UNCHANGED if other == "telnet" else Kind.NOT_REASSESSED)


def test_a_port_that_speaks_something_else_now_is_fixed(world: Any, one: Any) -> None:
    first = world.scan()
    one.runs[A, 23] = "ssh"
    world.later()
    second = world.scan()
    assert world.changes(first, second)["P-1", TELNET, 23].kind is Kind.FIXED


# --- any two reviews


def test_old_and_new_need_not_be_neighbours(world: Any, one: Any) -> None:
    one.runs[A, 21] = "refuses"
    first = world.scan()
    world.later()
    one.runs[A, 21] = "ftp"
    world.scan()
    world.later()
    third = world.scan()
    assert world.changes(first, third)["P-1", FTP, 21].kind is Kind.NEW
    one.runs[A, 21] = "refuses"
    world.later()
    fourth = world.scan()
    one.runs[A, 21] = "ftp"
    world.later()
    world.scan()
    world.later()
    last = world.scan()
    again = world.changes(fourth, last)["P-1", FTP, 21]
    assert again.kind is Kind.REOPENED
    assert again.open_since[:10] == "2026-05-05"


def test_what_two_reviews_ago_was_open_and_was_not_asked_since_is_fixed_when_it_is_absent(
    world: Any, one: Any
) -> None:
    world.scan()
    world.later()
    second = world.scan(ports=(22, 23))
    one.runs[A, 21] = "refuses"
    world.later()
    third = world.scan()
    assert world.changes(second, third)["P-1", FTP, 21].kind is Kind.FIXED


# --- a vanished device


def test_a_vanished_device_is_named_with_its_findings_month_after_month(world: Any, one: Any) -> None:
    world.add("two", B, serial="S-2", runs={23: "telnet"})
    world.add("alive", C, serial="S-3", runs={22: "ssh"})
    first = world.scan()
    ids = [first]
    one.on = world.boxes["two"].on = False
    for _ in range(3):
        world.later()
        ids.append(world.scan())
    for old, met in zip(ids[:-1], ("before", "neither", "neither"), strict=True):
        found = {d.device.label: d for d in world.compare(old, ids[ids.index(old) + 1])}
        for label, ports in (("P-1", {21, 23, 2323}), (B, {23})):
            gone = found[label]
            assert (gone.met, gone.last_met) == (met, "2026-01-05T08:00:00Z")
            assert gone.not_met and gone.not_met.why is Why.NOT_REACHED
            kept = [c for c in gone.changes if c.endpoint]
            assert {c.kind for c in kept} == {Kind.NOT_REASSESSED}
            assert {c.endpoint.port for c in kept} == ports
        assert found[C].met == "both"


# --- a changed yardstick is not the device's doing


def test_a_baseline_that_asks_for_less_fixes_nothing_and_restoring_it_restarts_nothing(
    world: Any, one: Any, tuned_baseline: Any
) -> None:
    less = tuned_baseline("less/1", drop=[FTP])
    first = world.scan()
    world.later()
    second = world.scan(expected=less)
    assert said(world.changes(first, second)["P-1", FTP, 21]) == (Kind.NOT_REQUIRED, [Why.NOT_REQUIRED])
    world.later()
    third = world.scan(expected=less)
    assert ("P-1", FTP, 21) not in world.changes(second, third)
    world.later()
    fourth = world.scan()
    again = world.changes(third, fourth)["P-1", FTP, 21]
    assert (again.kind, again.open_since[:10]) == (Kind.UNCHANGED, "2026-01-05")


def test_a_looser_setting_and_an_allowed_service_fix_nothing(world: Any, tuned_baseline: Any) -> None:
    world.list_device("P-1", A)
    world.add(
        "P-1", A, serial="S-1", runs={23: "telnet", 22: "ssh"}, key="aa" * 32, ends="2026-02-20T00:00:00Z"
    )
    strict = tuned_baseline("strict/1", tls_certificate_dates={"ending_days": 60})
    loose = tuned_baseline("loose/1", tls_certificate_dates={"ending_days": 1})
    loose = replace(loose, allowed_services=frozenset({"telnet"}))
    first = world.scan(expected=strict)
    world.later(1)
    second = world.scan(expected=loose)
    found = world.changes(first, second)
    assert said(found["P-1", "tls-certificate-dates", 443]) == (Kind.NOT_REQUIRED, [Why.NOT_REQUIRED])
    assert said(found["P-1", TELNET, 23]) == (Kind.NOT_REQUIRED, [Why.NOT_REQUIRED])


def test_a_repair_under_another_baseline_is_still_a_repair(world: Any, one: Any, tuned_baseline: Any) -> None:
    first = world.scan()
    one.runs[A, 23] = one.runs[A, 2323] = "refuses"
    world.later()
    second = world.scan(expected=tuned_baseline("other/1"))
    found = world.changes(first, second)
    assert {found["P-1", TELNET, port].kind for port in (23, 2323)} == {Kind.FIXED}


def test_what_another_address_shows_does_not_keep_a_repair_open(world: Any, tuned_baseline: Any) -> None:
    """Judged by another baseline too: Telnet gave way to FTP at one address, and began at the same port of the other."""
    one, other = "192.0.2.40", "192.0.2.41"
    box = world.add("pair", one, other, serial="S", engine="8000000009", runs={22: "ssh"})
    box.runs[one, 23] = "telnet"
    first = world.scan(expected=tuned_baseline("less/1", drop=("cleartext-ftp",)))
    box.runs |= {(one, 23): "ftp", (other, 23): "telnet", (other, 2323): "telnet"}
    world.later()
    told = world.compare(first, world.scan())
    found = {
        (c.endpoint.address, c.endpoint.port): c.kind
        for c in told[0].changes
        if c.endpoint and c.check == "cleartext-telnet"
    }
    assert found == {(one, 23): Kind.FIXED, (other, 23): Kind.NEW, (other, 2323): Kind.NEW}


def test_ending_soon_that_expires_is_worsened_and_not_two_findings(world: Any, tuned_baseline: Any) -> None:
    world.list_device("P-1", A)
    world.add("P-1", A, serial="S-1", runs={22: "ssh"}, key="aa" * 32, ends="2026-01-20T00:00:00Z")
    strict = tuned_baseline("strict/1", tls_certificate_dates={"ending_days": 60})
    first = world.scan(expected=strict)
    world.later()
    second = world.scan(expected=strict)
    found = world.changes(first, second, strict)
    dates = {key: change for key, change in found.items() if key[1] == "tls-certificate-dates"}
    (change,) = dates.values()
    assert (change.kind, change.subject, change.open_since[:10]) == (Kind.WORSENED, "expired", "2026-01-05")
    world.boxes["P-1"].ends = "2031-01-01T00:00:00Z"
    world.later()
    third = world.scan(expected=strict)
    (change,) = [
        c for k, c in world.changes(second, third, strict).items() if k[1] == "tls-certificate-dates"
    ]
    assert said(change) == (Kind.FIXED, [Why.DEVICE])


def test_an_attestation_that_expired_fixes_nothing(world: Any, one: Any) -> None:
    stated = Statement(
        id="S-1", control="cleartext-protocols-off", device=None, tag=None, answer="yes", words="", by="somebody",
        made="2026-01-01", until="2026-01-31", method="examine",
    )  # fmt: skip
    first = world.scan(decisions=Decisions(statements=(stated,), day="2026-01-05"))
    world.later(60)
    second = world.scan(decisions=Decisions(statements=(stated,), day="2026-03-06"))
    found = [c for k, c in world.changes(first, second).items() if k[1] == "statement-contradicted"]
    assert found and {c.kind for c in found} == {Kind.NOT_REQUIRED}


# --- where it was asked from


@pytest.mark.parametrize(
    ("source", "vantage", "kind"),
    [
        ("192.0.2.1", "another-name", Kind.FIXED),
        ("198.51.100.9", "here", Kind.NOT_REASSESSED),
    ],
    ids=["the same address under another name", "another address under the default name"],
)
def test_sources_are_compared_by_address(world: Any, one: Any, source: str, vantage: str, kind: Kind) -> None:
    first = world.scan()
    one.runs = {(A, 22): "ssh"}
    world.later()
    second = world.scan(source=source, vantage=vantage)
    change = world.changes(first, second)["P-1", TELNET, 23]
    assert change.kind is kind
    assert kind is Kind.FIXED or [c.why for c in change.causes] == [Why.VANTAGE]


def test_two_addresses_of_one_segment_are_the_same_source(world: Any, one: Any, tuned_baseline: Any) -> None:
    from hardenprobe.baseline.selection import Choice
    from hardenprobe.model import BaselineRule
    from hardenprobe.standards.segments import Segment

    office = Segment(name="office", networks=("198.51.100.0/24",))
    policy = tuned_baseline("policy/1", segment_reach={"segments": (office,)})
    choice = Choice(rules=(BaselineRule(baseline="policy"),), baselines={"policy": policy})
    first = world.scan(source="198.51.100.9", expected=choice)
    one.runs = {(A, 22): "ssh"}
    world.later()
    second = world.scan(source="198.51.100.77", expected=choice)
    assert world.changes(first, second, choice)["P-1", TELNET, 23].kind is Kind.FIXED


# --- several addresses of one family


@pytest.mark.parametrize("order", [(B, C), (C, B)])
def test_each_address_is_a_place_of_its_own(world: Any, order: tuple[str, str]) -> None:
    world.list_device("P-1", *order)
    box = world.add("P-1", B, C, serial="S-1", runs={22: "ssh", 23: "telnet"})
    first = world.scan(targets=order)
    box.runs[B, 23] = "refuses"
    world.later()
    second = world.scan(targets=order)
    kinds = {c.endpoint.address: c.kind for c in world.changes(first, second).values()}
    assert kinds == {B: Kind.FIXED, C: Kind.UNCHANGED}


def test_an_address_that_is_lost_is_not_reached_there(world: Any) -> None:
    world.list_device("P-1", B, C)
    box = world.add("P-1", B, C, serial="S-1", runs={22: "ssh", 23: "telnet"})
    first = world.scan()
    box.addresses.remove(C)
    world.later()
    second = world.scan()
    found = {c.endpoint.address: c for c in world.changes(first, second).values()}
    assert found[B].kind is Kind.UNCHANGED
    assert found[C].kind is Kind.NOT_REASSESSED and found[C].causes[0].text == f"not reached at {C}"


def test_an_address_of_several_did_not_merely_change(world: Any) -> None:
    """Both addresses answered once; then the one alone, then the other alone: two places all the time."""
    one, other = "192.0.2.40", "192.0.2.41"
    box = world.add("pair", one, other, serial="S", engine="8000000009", runs={22: "ssh", 23: "telnet"})
    world.scan(targets=(one, other))
    reviews = []
    for has in ([other], [one]):
        box.addresses = has
        world.later()
        reviews.append(world.scan(targets=(one, other)))
    (told,) = world.compare(*reviews)
    found = {
        c.endpoint.address: (c.kind, c.after.result) for c in told.changes if c.check == "cleartext-telnet"
    }
    assert found == {one: (Kind.UNCHANGED, "fail"), other: (Kind.NOT_REASSESSED, "fail")}


def test_a_second_address_is_no_new_finding_of_the_first(world: Any) -> None:
    world.list_device("P-1", B, C)
    box = world.add("P-1", B, serial="S-1", runs={22: "ssh", 23: "telnet"})
    first = world.scan()
    box.addresses.append(C)
    box.runs[C, 22] = "ssh"
    world.later()
    second = world.scan()
    found = {c.endpoint.address: c for c in world.changes(first, second).values()}
    assert {address: c.kind for address, c in found.items()} == {B: Kind.UNCHANGED}
    assert found[B].open_since[:10] == "2026-01-05"


# --- the clock of the machine


def test_the_order_is_the_store_s_and_not_the_clock_s(world: Any, one: Any) -> None:
    first = world.scan()
    world.later(60)
    one.runs[A, 21] = "refuses"
    second = world.scan()
    world.later(-90)  # the clock was set back
    third = world.scan()
    assert world.changes(first, second)["P-1", FTP, 21].kind is Kind.FIXED
    found = world.changes(second, third)
    assert ("P-1", FTP, 21) not in found
    assert {c.kind for c in found.values()} == {Kind.UNCHANGED}
    assert all(c.days_open == 0 for c in found.values())
    assert any("clock" in notice for notice in Comparison(world.kept, second, third).notices)
    assert not any("clock" in notice for notice in Comparison(world.kept, first, second).notices)


@pytest.mark.parametrize(("days", "told"), [(-1, True), (1, False)])
def test_a_scan_that_begins_before_the_newest_review_says_so(
    world: Any, one: Any, days: int, told: bool
) -> None:
    review = world.kept.load(world.scan())
    began = (world.now + timedelta(days=days)).isoformat(timespec="seconds").replace("+00:00", "Z")
    begun = ScanRecord(
        id="next", started=began, scope=review.head.scope, seed=1, plan_hash="", expected_hash="", request={}
    )
    with Keeper(world.kept, begun) as keeper:
        head = replace(review.head, id="next", started=began, previous=None, previous_digest=None)
        stored = keeper.finish(replace(review, head=head), complete=True).review
    assert any("before review" in notice for notice in stored.notices) is told


# --- findings assessed again


def test_a_recheck_says_of_a_filtered_port_what_a_comparison_says(world: Any, one: Any) -> None:
    first = world.scan()
    one.runs[A, 23] = "filtered"
    one.runs[A, 2323] = "refuses"
    found = world.recheck(first)
    assert {key[2]: done.standing for key, done in found.items()} == {
        21: "stands",
        23: "unknown",
        2323: "gone",
    }
    assert "not reachable from this vantage point" in found["P-1", TELNET, 23].why


def test_a_recheck_that_meets_another_serial_says_so(world: Any, one: Any) -> None:
    first = world.scan()
    world.boxes["P-1"].on = False
    world.boxes = {"other": replace(world.boxes["P-1"], name="other", serial="S-9", on=True)}
    found = world.recheck(first)
    assert {done.standing for done in found.values()} == {"unknown"}
    assert all("another device answers" in done.why for done in found.values())


def test_what_a_recheck_saw_counts_in_the_next_comparison(world: Any, one: Any) -> None:
    first = world.scan()
    one.runs[A, 21] = "refuses"
    world.later(1)
    world.recheck(first)
    one.runs[A, 21] = "ftp"
    world.later()
    second = world.scan()
    change = world.changes(first, second)["P-1", FTP, 21]
    assert (change.kind, change.first_seen[:10], change.open_since[:10]) == (
        Kind.REOPENED, "2026-01-05", "2026-02-05",
    )  # fmt: skip


# --- a device's history


def test_a_history_counts_what_is_not_reassessed_and_names_the_scans_that_did_not_meet_it(world: Any) -> None:
    two = world.add("two", B, serial="S-2", runs=TWO)
    world.add("alive", C, serial="S-3", runs={22: "ssh"})
    world.scan()
    world.later()
    world.scan(ports=(22, 23), head={"narrowed": ("ports",)})
    two.on = False
    world.later()
    world.scan()
    world.later()
    world.scan(targets=[C])
    found = device_history.events(world.kept, device_lookup.find(world.kept, B))
    assert [(one.what, one.at[:10]) for one in found] == [
        ("first-seen", "2026-01-05"), ("seen", "2026-02-04"), ("not-met", "2026-03-06"),
    ]  # fmt: skip
    assert [one.facts.get("not_reassessed") for one in found] == [0, 1, None]
    assert found[0].facts["standing"] == found[1].facts["standing"]


# --- without arguments


def test_the_newest_scan_is_compared_with_the_newest_that_was_made_alike(world: Any, one: Any) -> None:
    first = world.scan()
    world.later()
    narrow = world.scan(ports=(22, 23), head={"narrowed": ("ports",)})
    world.later(1)
    world.recheck(first)
    world.later()
    last = world.scan()
    assert newest_pair(world.kept) == (first, last)
    notices = Comparison(world.kept, narrow, last).notices
    assert "made otherwise, ports: only now: 21/tcp, 2121/tcp, 2323/tcp, 443/tcp, 80/tcp" in notices
    assert "made otherwise, narrowed: only before: ports" in notices
    assert not [n for n in Comparison(world.kept, first, last).notices if n.startswith("made otherwise")]
    world.later()
    other = world.scan(source="198.51.100.9")
    assert newest_pair(world.kept) == (last, other), "none was made alike, and what differs is said"
    assert (
        "made otherwise, vantage points: only before: 192.0.2.1; only now: 198.51.100.9"
        in Comparison(world.kept, last, other).notices
    )


def test_a_single_scan_has_nothing_to_be_compared_with(world: Any, one: Any) -> None:
    world.scan()
    with pytest.raises(UsageError, match="the only scan of its scope"):
        newest_pair(world.kept)


# --- retired, and set right


def test_a_retired_device_is_no_longer_asked_for_and_never_fixed(world: Any, one: Any) -> None:
    world.add("alive", C, serial="S-3", runs={22: "ssh"})
    world.now = datetime.now(UTC) - timedelta(days=20)  # the ledger has the day of today
    first = world.scan()
    one.on = False
    (device,) = (d for d in world.kept.load(first).devices if d.asset_tag == "P-1")
    body = {
        "device": device.id, "label": "P-1", "marks": [["serial", "S-1"]],
        "answers": {"by": "Morag Kerr", "reason": "old"},
    }  # fmt: skip
    Ledger(world.kept).add([Draft(kind=device_register.RETIRED, subject="R-1", body=body)])
    world.listed.clear()
    world.later()
    second = world.scan(targets=[A, C])
    found = world.changes(first, second)
    assert {change.kind for key, change in found.items() if key[0] == "P-1"} == {Kind.NOT_REQUIRED}
    assert "retired on" in found["P-1", TELNET, 23].causes[0].text
    world.later()
    third = world.scan(targets=[A, C])
    assert not [key for key in world.changes(second, third) if key[0] == "P-1"]


def test_a_clock_that_was_set_right_is_the_device_s_change() -> None:
    """RFC 9110 section 5.6.7: a Date is UTC. The device was 400 seconds ahead, and is not any more."""

    def side(asked: str, date: str, said: str) -> VerdictBasis:
        proof = {
            "id": "1", "kind": "http-answer", "asked_at": asked, "endpoint": None,
            "facts": {"status": 200, "date": date},
        }  # fmt: skip
        result = {
            "check": "clock-skew", "check_version": "1", "origin": "hardenprobe", "rule_set": None,
            "observations": ["1"], "observed": {"text": said}, "expected": {"text": "within 300 seconds"},
        }  # fmt: skip
        device = Device(id="dev-1", addresses=())
        return behind(device, [result], [proof])

    before = side("2026-01-05T08:00:00Z", "Mon, 05 Jan 2026 08:06:40 GMT", "400 seconds ahead")
    after = side("2026-02-05T08:00:00Z", "Thu, 05 Feb 2026 08:00:00 GMT", "+0 seconds from the scanner's")
    (cause,) = causes(before, after)
    assert cause.why is Why.DEVICE and cause.text.startswith("its clock was set: 400 seconds ahead before")
    (cause,) = causes(before, before)
    assert cause.why is Why.UNEXPLAINED


@pytest.mark.parametrize("first", ["192.0.2.1", "198.51.100.9"])
def test_what_was_only_heard_is_absent_where_it_was_seen_before(world: Any, one: Any, first: str) -> None:
    """Seen by a scan, heard in captured traffic, then closed: a scan from where it was seen says that it is fixed."""
    made = [world.scan(source=first), world.scan(source=None, vantage="tap")]
    one.runs[A, 23] = "refuses"
    made.append(world.scan())
    held = reviews_until(world.kept, world.kept.outline(made[-1]))
    visits = next(iter(visits_of(held, devices_of(held)).values()))
    heard = replace(visits[1].conditions, asks=False)
    assert visits[1].evidence
    visits[1] = replace(visits[1], conditions=heard, evidence=replace(visits[1].evidence, conditions=heard))
    (line,) = (line for line in timelines(visits) if line.newest.verdict.place == ("tcp", 23, None, None))
    assert 1 in line.sights
    wanted = Known.ABSENT if first == "192.0.2.1" else Known.NOT_ASSESSED
    assert line.says[2].known is wanted
