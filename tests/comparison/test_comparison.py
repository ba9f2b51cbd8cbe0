"""Two reviews beside each other: each change and each reason is made by changing that one thing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.tls import chain, tls_port

from hardenprobe.baseline import baseline
from hardenprobe.comparison.records import Change, DeviceChange, Kind, Totals, Why
from hardenprobe.comparison.stored import Comparison
from hardenprobe.errors import UnknownName, UsageError
from hardenprobe.facts import SnmpEngine, TcpPort
from hardenprobe.judging.run_checks import finding_key
from hardenprobe.model import (
    Accepted,
    Address,
    Device,
    Endpoint,
    Identity,
    Lapsed,
    Missed,
    Named,
    Observation,
    Reason,
    Result,
    Review,
    RuleSet,
    Said,
    Service,
    Severity,
    State,
    Vantage,
    Word,
)
from hardenprobe.plugins import registry
from hardenprobe.store.device_rows import PAGE
from hardenprobe.store.opening import opened
from hardenprobe.store.store import Store
from hardenprobe.testing import at, sample_review, tcp_port

CHECKS = registry.load(plugins=False)
OFFICE = baseline.load("office-device", CHECKS)
ADDRESS = "192.0.2.7"
HERE = Vantage(name="here", source="192.0.2.1")
BASE = sample_review(1)
SCOPE = "third floor"


def seen(port: int = 23, *, state: State = State.ACCEPTING, **facts: Any) -> Observation[TcpPort]:
    return replace(tcp_port(port, state, address=ADDRESS, **facts), vantage="here")


def result(
    word: Word = Word.FAIL,
    port: int | None = 23,
    *,
    check: str = "cleartext-telnet",
    subject: str | None = None,
    score: float | None = 6.8,
    severity: Severity | None = Severity.MEDIUM,
    proof: Sequence[Observation[Any]] = (),
    address: str = ADDRESS,
    device: str = "dev-a",
    **more: Any,
) -> Result:
    place = Endpoint(address=address, transport="tcp", port=port) if port else None
    failed = word is Word.FAIL
    made = Result(
        finding=finding_key(device, check, place, subject, {4: 1}),
        device=device,
        check=check,
        check_version="1",
        origin="hardenprobe",
        endpoint=place,
        subject=subject,
        vantage="here",
        result=word,
        score=score if failed else None,
        severity=severity if failed else None,
        observed=Said(text="speaks telnet" if failed else "no telnet"),
        expected=Said(text="no port speaks telnet"),
        observations=tuple(one.id for one in proof),
    )
    return replace(made, **more)


def device(**more: Any) -> Device:
    made = Device(
        id="dev-a",
        addresses=(Address(address=ADDRESS, family="ipv4"),),
        asset_tag="A-7",
        baseline=Named(name="office-device/1", hash="0" * 64),
    )
    return replace(made, **more)


def review(
    day: int,
    *results: Result,
    seen: Sequence[Observation[Any]] = (),
    met: Device | None = None,
    nobody: bool = False,
    head: dict[str, Any] | None = None,
    coverage: dict[str, Any] | None = None,
    vantages: tuple[Vantage, ...] = (HERE,),
) -> Review:
    """A review of one device; `nobody` met it where that is so."""
    started = f"2026-03-{day:02}T08:00:00Z"
    found = met or device()
    return replace(
        BASE,
        head=replace(
            BASE.head,
            id=f"202603{day:02}-080000-{day:06x}",
            started=started,
            scope=SCOPE,
            selected=("cleartext-telnet", "cleartext-ftp"),
            **(head or {}),
        ),
        coverage=replace(
            BASE.coverage, tcp_ports=(21, 23, 2323), unfinished=(), listed_not_seen=(), **(coverage or {})
        ),
        vantages=vantages,
        devices=() if nobody else (found,),
        results=() if nobody else results,
        observations={} if nobody else {found.id: tuple(seen)},
        statements=(),
        exceptions=(),
    )


@pytest.fixture
def compared(tmp_path: Path) -> Callable[..., tuple[list[DeviceChange], Totals]]:
    """Store reviews in their order, and compare the last two, or those that are numbered."""

    def run(*reviews: Review, old: int = -2, new: int = -1) -> tuple[list[DeviceChange], Totals]:
        with opened(str(tmp_path / f"{len(list(tmp_path.iterdir()))}.db")) as kept:
            for one in reviews:
                kept.save(one)
            return of(kept, reviews[old].head.id, reviews[new].head.id)

    return run


def of(kept: Store, old: str, new: str) -> tuple[list[DeviceChange], Totals]:
    found = Comparison(kept, old, new, OFFICE_FOR_ALL)
    devices = list(found.devices())
    return devices, found.totals


class _OfficeForAll:
    rules = ()

    def of(self, device: Device) -> baseline.Baseline:
        return OFFICE


OFFICE_FOR_ALL = _OfficeForAll()


def only(devices: Sequence[DeviceChange]) -> Change:
    (change,) = [change for one in devices for change in one.changes]
    return change


def whys(change: Change) -> list[Why]:
    return [cause.why for cause in change.causes]


OPEN = [seen()]
SHUT = [seen(state=State.REFUSING)]
FAILS = result(proof=OPEN)
PASSES = result(Word.PASS, None, proof=SHUT)


# --- what became of it


def test_still_there_needs_no_reason(compared: Any) -> None:
    devices, totals = compared(review(1, FAILS, seen=OPEN), review(5, FAILS, seen=OPEN))
    change = only(devices)
    assert (change.kind, change.causes) == (Kind.UNCHANGED, ())
    assert (change.first_seen, change.open_since, change.last_seen) == (
        "2026-03-01T08:00:00Z", "2026-03-01T08:00:00Z", "2026-03-05T08:00:00Z",
    )  # fmt: skip
    assert change.days_open == 4
    assert totals.kinds[Kind.UNCHANGED] == 1 and not totals.drifted


def test_the_device_changed(compared: Any) -> None:
    change = only(compared(review(1, FAILS, seen=OPEN), review(5, PASSES, seen=SHUT))[0])
    assert (change.kind, whys(change)) == (Kind.FIXED, [Why.DEVICE])
    assert change.causes[0].text == "seen before: speaks telnet; now: no telnet"
    assert (change.open_since, change.days_open, change.last_seen) == (None, None, "2026-03-01T08:00:00Z")

    change = only(compared(review(1, PASSES, seen=SHUT), review(5, FAILS, seen=OPEN))[0])
    assert (change.kind, whys(change), change.days_open) == (Kind.NEW, [Why.DEVICE], 0)


def test_it_came_back(compared: Any) -> None:
    fails, passes = {"seen": OPEN}, {"seen": SHUT}
    change = only(
        compared(review(1, FAILS, **fails), review(3, PASSES, **passes), review(9, FAILS, **fails))[0]
    )
    assert (change.kind, change.first_seen[:10], change.days_open) == (Kind.REOPENED, "2026-03-01", 0)

    # Also where both reviews that are compared have it, and one between them does not.
    between = (review(1, FAILS, **fails), review(3, PASSES, **passes), review(9, FAILS, **fails))
    change = only(compared(*between, old=0)[0])
    assert (change.kind, change.open_since) == (Kind.REOPENED, "2026-03-09T08:00:00Z")


def test_a_review_that_could_not_tell_ends_nothing(compared: Any) -> None:
    silent = result(Word.UNKNOWN, None, reason=Reason.SILENT)
    reviews = (review(1, FAILS, seen=OPEN), review(3, silent), review(9, FAILS, seen=OPEN))
    change = only(compared(*reviews)[0])
    assert (change.kind, change.days_open, whys(change)) == (Kind.UNCHANGED, 8, [Why.NOT_REACHED])


def test_worse_and_better(compared: Any) -> None:
    graver = replace(FAILS, score=9.0, severity=Severity.HIGH, observed=Said(text="no password"))
    other = [seen(greeting="root# ")]
    graver = replace(graver, observations=(other[0].id,))
    change = only(compared(review(1, FAILS, seen=OPEN), review(5, graver, seen=other))[0])
    assert (change.kind, whys(change)) == (Kind.WORSENED, [Why.DEVICE])
    assert (change.before.score, change.after.score) == (6.8, 9.0)
    change = only(compared(review(1, graver, seen=other), review(5, FAILS, seen=OPEN))[0])
    assert change.kind is Kind.IMPROVED


# --- never fixed where nobody could tell

UNTOLD: list[Any] = [
    pytest.param([result(Word.UNKNOWN, None, reason=Reason.SILENT)], {}, Why.NOT_REACHED, id="silent"),
    pytest.param([result(Word.UNKNOWN, 23, reason=Reason.CEILING)], {}, Why.NOT_REACHED, id="ceiling"),
    pytest.param([result(Word.UNKNOWN, None, reason=Reason.AMBIGUOUS)], {}, Why.NOT_CLEAR, id="ambiguous"),
    pytest.param([result(Word.ERROR, None, reason=Reason.CRASHED)], {}, Why.NOT_CLEAR, id="crashed"),
    pytest.param([result(Word.NOTCHECKED, None, reason=Reason.REACH)], {}, Why.NOT_ASKED, id="reach"),
    pytest.param([result(Word.NOTSELECTED, None)], {"head": {"selected": ("cleartext-ftp",)}}, Why.NOT_ASKED, id="left out"),
    pytest.param([], {"head": {"selected": ("cleartext-ftp",)}}, Why.NOT_ASKED, id="not asked for"),
    pytest.param([], {}, Why.NOT_CLEAR, id="asked for, and no result"),
    pytest.param([result(Word.PASS, 21)], {"coverage": {"tcp_ports": (21,)}}, Why.NOT_ASKED, id="another port"),
    pytest.param([replace(PASSES, vantage="guest")], {"vantages": (Vantage(name="guest", source="198.51.100.2"),)}, Why.VANTAGE, id="from elsewhere"),
    pytest.param([], {"nobody": True}, Why.NOT_REACHED, id="nobody met it"),
    pytest.param([], {"nobody": True, "coverage": {"unfinished": (ADDRESS,)}}, Why.NOT_ASKED, id="the scan ended before"),
    pytest.param([], {"nobody": True, "coverage": {"listed_not_seen": (Missed(asset_tag="A-7", addresses=(ADDRESS,), why="not planned"),)}}, Why.NOT_ASKED, id="not planned"),
    pytest.param([], {"nobody": True, "coverage": {"listed_not_seen": (Missed(asset_tag="A-7", addresses=(ADDRESS,), why="silent"),)}}, Why.NOT_REACHED, id="listed and silent"),
]  # fmt: skip


@pytest.mark.parametrize(("results", "how", "why"), UNTOLD)
def test_what_nobody_could_tell_is_not_fixed(
    compared: Any, results: list[Result], how: dict[str, Any], why: Why
) -> None:
    how = {**how}
    head, coverage = how.pop("head", {}), how.pop("coverage", {})
    newer = review(5, *results, **how)
    newer = replace(newer, head=replace(newer.head, **head), coverage=replace(newer.coverage, **coverage))
    change = only(compared(review(1, FAILS, seen=OPEN), newer)[0])
    assert (change.kind, whys(change)) == (Kind.NOT_REASSESSED, [why])
    assert change.days_open == 4, "as far as anybody knows it is open"


@pytest.mark.parametrize(("results", "how", "why"), UNTOLD)
def test_what_nobody_could_tell_before_is_said_of_what_is_new(
    compared: Any, results: list[Result], how: dict[str, Any], why: Why
) -> None:
    how = {**how}
    head, coverage = how.pop("head", {}), how.pop("coverage", {})
    older = review(1, *results, **how)
    older = replace(older, head=replace(older.head, **head), coverage=replace(older.coverage, **coverage))
    change = only(compared(older, review(5, FAILS, seen=OPEN))[0])
    assert (change.kind, whys(change)) == (Kind.NEW, [why])
    assert change.causes[0].text.startswith("not determined before: ")


@pytest.mark.parametrize(
    ("service", "kind", "whys_"),
    [
        (Service(address=ADDRESS, transport="tcp", port=23, state=State.REFUSING), Kind.FIXED, None),
        (Service(address=ADDRESS, transport="tcp", port=23, state=State.ACCEPTING, protocol="ssh"), Kind.FIXED, None),
        (Service(address=ADDRESS, transport="tcp", port=23, state=State.ACCEPTING), Kind.NOT_REASSESSED, [Why.NOT_CLEAR]),
        (Service(address=ADDRESS, transport="tcp", port=23, state=State.SILENT), Kind.NOT_REASSESSED, [Why.NOT_REACHED]),
        (Service(address=ADDRESS, transport="tcp", port=21, state=State.REFUSING), Kind.NOT_REASSESSED, [Why.NOT_CLEAR]),
    ],
    ids=["refuses", "speaks something else", "not recognised", "silent", "not told"],
)  # fmt: skip
def test_a_check_that_fails_elsewhere_says_nothing_of_what_is_not_recognised(
    compared: Any, service: Service, kind: Kind, whys_: list[Why] | None
) -> None:
    """A check that finds a fault at one port says nothing of the ports at which it found none."""
    both = [seen(), seen(2323)]
    other = result(port=2323, proof=both[1:])
    older = review(1, FAILS, other, seen=both)
    (found,), _ = compared(older, review(5, other, seen=both[1:], met=device(services=(service,))))
    (change,) = [one for one in found.changes if one.finding == FAILS.finding]
    assert change.kind is kind
    assert whys_ is None or whys(change) == whys_


# --- what it was judged by


def test_the_baseline_changed(compared: Any) -> None:
    other = device(baseline=Named(name="office-device-strict/1", hash="1" * 64))
    passes = result(Word.PASS, 23, proof=OPEN, expected=Said(text="telnet may be there"))
    change = only(compared(review(1, passes, seen=OPEN), review(5, FAILS, seen=OPEN, met=other))[0])
    assert (change.kind, whys(change)) == (Kind.NEW, [Why.BASELINE])
    assert "expected before: telnet may be there; now: no port speaks telnet" in change.causes[0].text


def test_a_baseline_that_expects_the_same_is_no_reason_where_the_device_changed(compared: Any) -> None:
    other = device(baseline=Named(name="office-device/2", hash="1" * 64))
    change = only(compared(review(1, FAILS, seen=OPEN), review(5, PASSES, seen=SHUT, met=other))[0])
    assert whys(change) == [Why.DEVICE]


def test_the_rule_set_changed(compared: Any) -> None:
    old, new = RuleSet(name="suites", date="2019"), RuleSet(name="suites", date="2026")
    passes = result(Word.PASS, 23, proof=OPEN, rule_set=old)
    fails = replace(FAILS, rule_set=new)
    change = only(compared(review(1, passes, seen=OPEN), review(5, fails, seen=OPEN))[0])
    assert (change.kind, whys(change)) == (Kind.NEW, [Why.RULES])
    assert change.causes[0].text == "suites of 2019 before, suites of 2026 now"


def test_the_check_changed(compared: Any) -> None:
    passes = result(Word.PASS, 23, proof=OPEN)
    fails = replace(FAILS, check_version="2")
    change = only(compared(review(1, passes, seen=OPEN), review(5, fails, seen=OPEN))[0])
    assert (change.kind, whys(change)) == (Kind.NEW, [Why.CHECK])


def test_what_nothing_explains_is_said_so(compared: Any) -> None:
    passes = result(Word.PASS, 23, proof=OPEN)
    change = only(compared(review(1, passes, seen=OPEN), review(5, FAILS, seen=OPEN))[0])
    assert (change.kind, whys(change)) == (Kind.NEW, [Why.UNEXPLAINED])


# --- exceptions

RUNS = Accepted(id="E-1", until="2026-06-30")


def test_an_exception_began(compared: Any) -> None:
    accepted = replace(FAILS, exception=RUNS)
    change = only(compared(review(1, FAILS, seen=OPEN), review(5, accepted, seen=OPEN))[0])
    assert (change.kind, whys(change)) == (Kind.ACCEPTED, [Why.EXCEPTION_BEGAN])
    assert (change.after.accepted_until, change.overdue) == ("2026-06-30", False)


@pytest.mark.parametrize(
    ("lapsed", "why"),
    [
        (None, Why.EXCEPTION_ENDED),
        (Lapsed(id="E-1", why="expired on 2026-03-03"), Why.EXCEPTION_ENDED),
        (Lapsed(id="E-1", why="what is observed got worse than what was accepted"), Why.EXCEPTION_LAPSED),
    ],
)
def test_an_exception_runs_no_more(compared: Any, lapsed: Lapsed | None, why: Why) -> None:
    accepted, counts = replace(FAILS, exception=RUNS), replace(FAILS, lapsed=lapsed)
    change = only(compared(review(1, accepted, seen=OPEN), review(5, counts, seen=OPEN))[0])
    assert (change.kind, whys(change)) == (Kind.NOT_ACCEPTED, [why])


# --- moved


def test_an_address_moved(compared: Any) -> None:
    new = "192.0.2.99"
    met = device(addresses=(Address(address=new, family="ipv4"),))
    (found,) = compared(review(1, FAILS, seen=OPEN), review(5, replace(FAILS, endpoint=result(address=new).endpoint), seen=OPEN, met=met))[0]  # fmt: skip
    assert (found.changes[0].kind, whys(found.changes[0])) == (Kind.UNCHANGED, [Why.MOVED])
    assert found.changes[0].causes[0].text == f"23/tcp at {ADDRESS} before, 23/tcp at {new} now"
    assert [(d.what, d.before, d.after) for d in found.drift] == [("address", ADDRESS, new)]


def test_a_port_moved(compared: Any) -> None:
    there = [seen(2323)]
    elsewhere = result(port=2323, proof=there)
    change = only(
        compared(
            review(1, FAILS, seen=OPEN),
            review(5, elsewhere, seen=there, met=device(services=(service(23, State.REFUSING),))),
        )[0]
    )
    assert (change.kind, change.moved_from, whys(change)) == (Kind.UNCHANGED, FAILS.finding, [Why.MOVED])
    assert change.days_open == 4


def test_a_port_beside_it_did_not_move(compared: Any) -> None:
    both = [seen(), seen(2323)]
    second = result(port=2323, proof=both[1:])
    devices, _ = compared(review(1, FAILS, seen=OPEN), review(5, FAILS, second, seen=both))
    assert sorted(c.kind for c in devices[0].changes) == sorted([Kind.UNCHANGED, Kind.NEW])


# --- time to mend


def test_due_days_are_the_baseline_s(compared: Any) -> None:
    assert OFFICE.file.due_days.medium == 90
    early = review(1, FAILS, seen=OPEN)
    late = replace(
        review(2, FAILS, seen=OPEN), head=replace(review(2).head, id="late", started="2026-05-30T08:00:00Z")
    )
    change = only(compared(early, late)[0])
    assert (change.due, change.days_open, change.overdue) == ("2026-05-30", 90, False)
    later = replace(late, head=replace(late.head, id="later", started="2026-05-31T00:00:00Z"))
    change = only(compared(early, late, later, old=0)[0])
    assert (change.due, change.overdue) == ("2026-05-30", True)
    accepted = replace(later, results=(replace(FAILS, exception=RUNS),))
    assert not only(compared(early, accepted)[0]).overdue


# --- drift


def engine(boots: int, time: int, asked_at: str) -> Observation[SnmpEngine]:
    facts = SnmpEngine(state=State.ACCEPTING, engine_id="80001f88", boots=boots, time=time)
    return replace(at(161, facts, transport="udp", address=ADDRESS), asked_at=asked_at)


def service(port: int, state: State, protocol: str | None = None) -> Service:
    return Service(address=ADDRESS, transport="tcp", port=port, state=state, protocol=protocol)


def shows(kind: str, value: str) -> Identity:
    return Identity(kind=kind, value=value, source="snmp", strength="medium")


DRIFTS: list[Any] = [
    pytest.param(
        {"met": device(services=(service(23, State.REFUSING),))},
        {"met": device(services=(service(23, State.ACCEPTING, "telnet"),))},
        [("port", "23/tcp", "refusing", "accepting, speaks telnet")], id="a port opened",
    ),
    pytest.param({"met": device()}, {"met": device(services=(service(8000, State.ACCEPTING),))}, [], id="a port that was not looked at before"),
    pytest.param({"met": device(identity=(shows("firmware", "1.0"),))}, {"met": device(identity=(shows("firmware", "1.1"),))}, [("firmware", "", "1.0", "1.1")], id="firmware"),
    pytest.param({"met": device(identity=(shows("engine-id", "80aa"),))}, {"met": device(identity=(shows("engine-id", "80bb"),))}, [("engine id", "", "80aa", "80bb")], id="engine id"),
    pytest.param({"met": device()}, {"met": device(identity=(shows("firmware", "1.1"),))}, [], id="what was not read before"),
    pytest.param({"met": device(make_model="Series 1")}, {"met": device(make_model="Series 2")}, [("make and model", "", "Series 1", "Series 2")], id="make and model"),
    pytest.param(
        {"seen": [at(443, tls_port("TLS 1.2", chains=(chain(sha256="a" * 64),)), address=ADDRESS)]},
        {"seen": [at(443, tls_port("TLS 1.2", chains=(chain(sha256="b" * 64),)), address=ADDRESS)]},
        [("certificate", "443/tcp", "SHA-256 " + "a" * 16, "SHA-256 " + "b" * 16)], id="a certificate",
    ),
    pytest.param({"seen": [engine(3, 1000, "2026-03-01T08:00:00Z")]}, {"seen": [engine(3, 346600, "2026-03-05T08:00:00Z")]}, [], id="it went on running"),
    pytest.param({"seen": [engine(3, 1000, "2026-03-01T08:00:00Z")]}, {"seen": [engine(3, 500, "2026-03-05T08:00:00Z")]}, [("restart", "", "start 3, running for 1,000 s", "start 3, running for 500 s")], id="its seconds began anew"),
    pytest.param({"seen": [engine(3, 1000, "2026-03-01T08:00:00Z")]}, {"seen": [engine(4, 500, "2026-03-05T08:00:00Z")]}, [("restart", "", "start 3, running for 1,000 s", "start 4, running for 500 s")], id="it was started again"),
]  # fmt: skip


@pytest.mark.parametrize(("before", "after", "found"), DRIFTS)
def test_facts_that_differ(
    compared: Any, before: dict[str, Any], after: dict[str, Any], found: list[tuple[str, str, str, str]]
) -> None:
    (one,), totals = compared(review(1, **before), review(5, **after))
    drift = [(d.what, d.where, (d.before or "").split(",")[0] if d.what == "certificate" else d.before,
              (d.after or "").split(",")[0] if d.what == "certificate" else d.after) for d in one.drift]  # fmt: skip
    assert drift == found
    assert totals.drifted == bool(found)


# --- whole fleets


def fleet(day: int, words: Sequence[Word | None]) -> Review:
    """A review of devices that each have one result, or are not met (None)."""
    devices, results = [], []
    for number, word in enumerate(words):
        if word is None:
            continue
        id = f"dev-{number:03}"
        devices.append(device(id=id, asset_tag=f"A-{number}"))
        results.append(result(word, device=id))
    one = review(day, nobody=True)
    return replace(
        one,
        devices=tuple(devices),
        results=tuple(results),
        observations={one.id: () for one in devices},
    )


WORDS = st.sampled_from([Word.FAIL, Word.PASS, Word.UNKNOWN, Word.NOTAPPLICABLE, Word.NOTCHECKED, None])
MIRRORED = {Kind.NEW: Kind.FIXED, Kind.FIXED: Kind.NEW, Kind.UNCHANGED: Kind.UNCHANGED}


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25)
@given(pairs=st.lists(st.tuples(WORDS, WORDS), min_size=1, max_size=2 * PAGE + 1))
@pytest.mark.slow
def test_every_finding_is_there_once_and_nothing_is_fixed_that_was_not_asked(
    compared: Any, pairs: list[tuple[Word | None, Word | None]]
) -> None:
    before, after = (fleet(day, words) for day, words in zip((1, 5), zip(*pairs, strict=True), strict=True))
    devices, totals = compared(before, after)
    assert [one.device.id for one in devices] == [d.id for d in before.devices] + [d.id for d in after.devices if d.id not in {o.id for o in before.devices}]  # fmt: skip
    changes = [change for one in devices for change in one.changes]
    assert sorted(change.finding for change in changes) == sorted({r.finding for r in (*before.findings, *after.findings)})  # fmt: skip
    assert sum(totals.kinds.values()) == len(changes)

    expected = {
        (Word.FAIL, Word.FAIL): Kind.UNCHANGED,
        (Word.FAIL, Word.PASS): Kind.FIXED,
        (Word.FAIL, Word.NOTAPPLICABLE): Kind.FIXED,
    }
    of_device = {one.device.id: one for one in devices}
    for number, (old, new) in enumerate(pairs):
        if Word.FAIL in (old, new):
            (change,) = of_device[f"dev-{number:03}"].changes
            default = Kind.NEW if new is Word.FAIL else Kind.NOT_REASSESSED
            assert change.kind is expected.get((old, new), default), (old, new)  # type: ignore[arg-type]

    back, _ = compared(after, before)
    kinds = {change.finding: change.kind for one in back for change in one.changes}
    for change in changes:
        told = change.before.result not in ("notchecked", "unknown")
        if change.kind in MIRRORED and told:
            assert kinds[change.finding] is MIRRORED[change.kind]


@pytest.mark.parametrize("hostile", [False, True])
def test_a_review_beside_its_like_has_nothing_new(compared: Any, hostile: bool) -> None:
    one = sample_review(PAGE + 2, hostile)
    other = replace(one, head=replace(one.head, id="20260402T210000-7c1e", started="2026-04-02T21:00:00Z"))
    devices, totals = compared(one, other)
    assert {kind for kind, number in totals.kinds.items() if number} == {Kind.UNCHANGED}
    assert totals.kinds[Kind.UNCHANGED] == len({r.finding for r in one.findings})
    assert not [d for found in devices for d in found.drift if d.what != "restart"]


def test_it_takes_two(tmp_path: Path) -> None:
    with opened(str(tmp_path / "store.db")) as kept:
        kept.save(review(1, FAILS))
        kept.save(review(5, FAILS))
        with pytest.raises(UsageError, match="are the same review"):
            Comparison(kept, "latest", "20260305")
        with pytest.raises(UnknownName):
            Comparison(kept, "20260301", "nowhere")


def test_only_some_devices(tmp_path: Path) -> None:
    words = [Word.FAIL] * 5
    with opened(str(tmp_path / "store.db")) as kept:
        kept.save(fleet(1, words))
        kept.save(fleet(5, words))
        found = Comparison(kept, "20260301", "20260305")
        assert [one.device.label for one in found.devices(frozenset({"A-3", "dev-001"}))] == ["A-1", "A-3"]
        assert found.totals.devices["both"] == 2
