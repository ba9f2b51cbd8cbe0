"""Accepting a device: what stands in the way, and what is kept; out of a real store."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.ssh import ssh_host_key, ssh_offer

from hardenprobe.baseline import baseline
from hardenprobe.baseline.baseline import Baseline
from hardenprobe.decisions.entry import Entry
from hardenprobe.decisions.exceptions import AcceptedFinding, RiskException
from hardenprobe.decisions.inputs import InputError
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.decisions.statements import Statement
from hardenprobe.errors import StoreRefused
from hardenprobe.facts import NotMet, TelnetGreeting
from hardenprobe.lifecycle import acceptance, device_lookup
from hardenprobe.lifecycle.acceptance import (
    Acceptance,
    AcceptanceRequest,
    Control,
    Finding,
    UndeterminedCheck,
)
from hardenprobe.model import Address, Device, Observation, Review, Service, State
from hardenprobe.plugins import registry
from hardenprobe.store.ledger import Ledger
from hardenprobe.store.opening import opened
from hardenprobe.store.store import Store
from hardenprobe.testing import at, declared, sample_review, tcp_port

CHECKS = registry.load(plugins=False)
STRICT = baseline.load(acceptance.BASELINE, CHECKS)
ASKED = "administrator-password-set"
RULES = replace(STRICT, people=(ASKED,), must_determine=frozenset({"cleartext-telnet"}))
VECTOR = CHECKS.checks["cleartext-telnet"].vectors[""]
TODAY = "2026-03-20"
QUIET = (tcp_port(23, State.REFUSING), tcp_port(2323, State.REFUSING))
TELNET = (
    tcp_port(23),
    at(23, TelnetGreeting(negotiates=True, text="login:", prompt="login:"), protocol="telnet"),
)
WHO = AcceptanceRequest(accepted_by="Morag Kerr", requested_by="Imke Sandvoort", reason="replaces HO-0099")


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Store]:
    with opened(str(tmp_path / "store.db")) as found:
        yield found


def scanned(*seen: Observation[Any], more: tuple[Device, ...] = (), **observations: Any) -> Review:
    """A review of one device that showed this, and perhaps of others."""
    made = sample_review(1)
    service = Service(address="127.0.9.10", transport="tcp", port=443, state=State.ACCEPTING)
    one = Device(
        id="dev-new",
        addresses=(Address(address="127.0.9.10", family="ipv4"),),
        asset_tag="HO-0500",
        services=(service,),
    )
    head = replace(made.head, selected=tuple(CHECKS.checks), previous=None, previous_digest=None)
    return replace(
        made, head=head, vantages=made.vantages[:1], devices=(one, *more), results=(), exceptions=(), statements=(),
        observations={"dev-new": seen, **observations},
    )  # fmt: skip


def stated(answer: str = "yes", until: str = "2027-01-01") -> Statement:
    return Statement(
        id="S-1", control=ASKED, device="HO-0500", tag=None, answer=answer, words=None, by="Imke Sandvoort",
        made="2026-03-01", until=until, method="examine",
    )  # fmt: skip


def assessed(
    kept: Store, review: Review, *statements: Statement, rules: Baseline = RULES, **more: Any
) -> Acceptance:
    kept.save(review)
    found = device_lookup.find(kept, "HO-0500")
    decisions = Decisions(day=TODAY, statements=statements, **more)
    return acceptance.assess(kept, found, rules, CHECKS, decisions)


def test_a_quiet_device_with_its_answers_is_accepted(kept: Store) -> None:
    made = assessed(kept, scanned(*QUIET), stated())
    assert (made.standing(), made.missing(), made.refused) == ([], [], False)
    assert made.baseline == "office-device-strict/1" and made.baseline_hash == STRICT.hash
    assert made.words["fail"] == 0 if "fail" in made.words else True
    assert [(one.control, one.answer, one.met) for one in made.statements] == [(ASKED, "yes", True)]
    (entry,) = Ledger(kept).add([acceptance.draft(acceptance.signed(WHO, made))])
    read = acceptance.read(entry)
    assert read == replace(acceptance.signed(WHO, made), id="A-1", on=entry.at[:10])


def test_what_the_scan_left_out_stands_in_the_way(kept: Store) -> None:
    """The scan asked for telnet alone; the record rests on every check of the baseline."""
    whole = scanned(*QUIET)
    made = assessed(kept, replace(whole, head=replace(whole.head, selected=("cleartext-telnet",))), stated())
    (left_out,) = made.missing()
    assert left_out.startswith("left out of the scan: allow-list-ipv6-bypass, ")
    assert "cleartext-telnet" not in left_out and "tls-deprecated-version" in left_out
    assert set(made.checks) == set(CHECKS.checks) & set(STRICT.settings)
    unknown = {one.check for one in made.untold}
    assert "snmp-v3-missing" in unknown and "cleartext-telnet" not in unknown


def test_a_finding_stands_in_the_way_until_an_exception_covers_it(kept: Store) -> None:
    made = assessed(kept, scanned(*TELNET), stated())
    (telnet,) = [one for one in made.standing() if one.check == "cleartext-telnet"]
    assert (telnet.where, telnet.severity) == ("23/tcp", "high")
    assert made.refused
    accepted = AcceptedFinding(
        finding=telnet.finding, device="dev-new", transport="tcp", port=23, path=None, subject=None,
        score=telnet.score, severity="high", vector=VECTOR, observed="",
    )  # fmt: skip
    one = RiskException(
        id="E-1", check="cleartext-telnet", device="dev-new", label="HO-0500", tag=None, reason="r", compensating="c",
        requested_by="a", approved_by="b", starts="2026-03-10", until="2026-04-01", review="x", baseline="b",
        accepted=(accepted,),
    )  # fmt: skip
    again = acceptance.assess(
        kept, device_lookup.find(kept, "HO-0500"), RULES, CHECKS, Decisions(day=TODAY, exceptions=(one,))
    )
    (covered,) = [f for f in again.findings if f.check == "cleartext-telnet"]
    assert (covered.exception, covered.until) == ("E-1", "2026-04-01")
    too_long = replace(one, until="2026-07-01")
    third = acceptance.assess(
        kept, device_lookup.find(kept, "HO-0500"), RULES, CHECKS, Decisions(day=TODAY, exceptions=(too_long,))
    )
    (stands,) = [f for f in third.standing() if f.check == "cleartext-telnet"]
    assert stands.lapsed and "E-1: longer than the device's own baseline allows: 113 days" in stands.lapsed


@pytest.mark.parametrize(
    ("given", "missing"),
    [
        pytest.param((), f"unanswered by people: {ASKED}", id="nobody"),
        pytest.param((stated(until="2026-03-19"),), f"expired by people: {ASKED}", id="expired"),
        pytest.param((stated("no"),), f"answered with no: {ASKED}", id="no"),
        pytest.param((stated("partly"),), f"answered with partly: {ASKED}", id="partly"),
        pytest.param((stated("not applicable"),), None, id="not applicable"),
    ],
)
def test_controls_that_people_answer_for(
    kept: Store, given: tuple[Statement, ...], missing: str | None
) -> None:
    made = assessed(kept, scanned(*QUIET), *given)
    assert made.missing() == ([missing] if missing else [])


def test_an_answer_of_no_is_put_up_with_by_name_and_nothing_else_is(kept: Store) -> None:
    made = assessed(kept, scanned(*QUIET), stated("no"))
    assert made.refused
    despite = acceptance.signed(replace(WHO, despite=(ASKED, ASKED)), made)
    assert despite.despite == (ASKED,) and not despite.refused
    for name, says in (
        ("administrator-password", "did you mean administrator-password-set"),
        ("fax-line-separated", "no control that the baseline calls for"),
    ):
        with pytest.raises(InputError, match=says):
            acceptance.signed(replace(WHO, despite=(name,)), made)
    unanswered = replace(
        made, statements=tuple(replace(one, state="unanswered", answer=None) for one in made.statements)
    )
    with pytest.raises(InputError, match="is 'unanswered'; only an answer of no or partly"):
        acceptance.signed(replace(WHO, despite=(ASKED,)), unanswered)


def test_what_must_be_determined_and_is_not_stands_in_the_way(kept: Store) -> None:
    made = assessed(kept, scanned(tcp_port(23, State.SILENT)), stated())
    assert made.missing() == [
        "not determined, and baseline office-device-strict/1 wants it: cleartext-telnet (unknown, silent)"
    ]


def test_a_device_that_was_not_met_is_not_accepted(kept: Store) -> None:
    gone = declared(NotMet(asset_tag="HO-0500", addresses=("127.0.9.10",), why="silent", source="i.yaml"))
    made = assessed(kept, scanned(gone), stated())
    assert [one.check for one in made.standing()] == ["device-not-seen"]
    assert made.missing() == [
        "not determined, and baseline office-device-strict/1 wants it: cleartext-telnet (unknown, not assessed in this review)"
    ]


def test_a_key_that_another_device_shares_is_found(kept: Store) -> None:
    """One device is judged, and held against the whole fleet of its review."""
    other = Device(id="dev-old", addresses=(Address(address="127.0.9.11", family="ipv4"),))
    key = "ab" * 32
    mine, theirs = (
        (tcp_port(22, address=a, speaks="ssh"), ssh_offer(address=a), ssh_host_key(address=a, sha256=key))
        for a in ("127.0.9.10", "127.0.9.11")
    )
    made = assessed(kept, scanned(*QUIET, *mine, more=(other,), **{"dev-old": theirs}), stated())
    assert "ssh-shared-host-key" in {one.check for one in made.standing()}


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"accepted_by": " imke  SANDVOORT "}, "accepted_by"),
        ({"accepted_by": " "}, "accepted_by"),
        ({"requested_by": ""}, "requested_by"),
        ({"reason": "\n"}, "reason"),
    ],
)
def test_who_asks_does_not_accept_and_everybody_is_named(
    kept: Store, changes: dict[str, str], key: str
) -> None:
    made = assessed(kept, scanned(*QUIET), stated())
    with pytest.raises(InputError) as wrong:
        acceptance.signed(replace(WHO, **changes), made)
    assert wrong.value.key == key


findings = st.builds(
    Finding, finding=st.text(), check=st.text(), where=st.text(), severity=st.sampled_from(["low", "high"]),
    score=st.floats(0, 10), observed=st.text(), exception=st.none() | st.just("E-1"),
    until=st.none() | st.just("2026-04-01"), lapsed=st.none() | st.text(),
)  # fmt: skip
untold = st.builds(
    UndeterminedCheck,
    check=st.text(),
    word=st.sampled_from(["unknown", "error", "notchecked"]),
    reason=st.text(),
    must=st.booleans(),
)
answers = st.builds(
    Control, control=st.sampled_from(["a", "b"]), question=st.text(),
    state=st.sampled_from(["answered", "expired", "unanswered"]),
    answer=st.sampled_from(["yes", "no", "partly", "not applicable"]), statement=st.none() | st.text(),
    by=st.none() | st.text(), until=st.none() | st.text(),
)  # fmt: skip
PLAIN = Acceptance(
    device="d", label="l", kind="printer", make_model=None, addresses=("127.0.9.10",), marks=(("serial", "1"),),
    review="r", seen_at="t", baseline="b", baseline_hash="h", words={"pass": 1}, checks=("c",), left_out=(), findings=(), untold=(),
    statements=(),
)  # fmt: skip


@pytest.mark.slow
@given(st.lists(findings), st.lists(untold), st.lists(answers), st.sets(st.sampled_from(["a", "b"])))
def test_nothing_is_accepted_over_an_open_point_and_all_of_it_is_kept(
    found: list[Finding], open_: list[UndeterminedCheck], said: list[Control], despite: set[str]
) -> None:
    made = replace(
        PLAIN,
        findings=tuple(found),
        untold=tuple(open_),
        statements=tuple(said),
        despite=tuple(sorted(despite)),
    )
    free = (
        all(one.exception for one in found)
        and not any(one.must or one.word == "error" for one in open_)
        and all(one.state == "answered" and (one.met or one.control in despite) for one in said)
    )
    assert made.refused is not free
    body = acceptance.draft(made).body
    entry = Entry(
        number=1, at="2026-03-20T00:00:00Z", kind="acceptance", subject="A-1", operator="", digest="", body=body,
        previous_digest=None,
    )  # fmt: skip
    assert asdict(acceptance.read(entry)) == {**asdict(made), "id": "A-1", "on": "2026-03-20"}


def test_an_entry_of_another_version_is_said() -> None:
    entry = Entry(
        number=1, at="2026-03-20", kind="acceptance", subject="A-1", operator="", digest="", previous_digest=None,
        body={"device": "d"},
    )  # fmt: skip
    with pytest.raises(StoreRefused, match="another version"):
        acceptance.read(entry)
