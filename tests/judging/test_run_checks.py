"""Running checks over observations."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

import pytest

from hardenprobe.baseline import baseline
from hardenprobe.baseline.baseline import Baseline
from hardenprobe.checking.check import (
    HEADINGS,
    Check,
    DeviceView,
    NoSettings,
    Outcome,
    fail,
    inapplicable,
    passed,
    unknown,
)
from hardenprobe.facts import ProbeFault, SnmpAnswer, TcpPort
from hardenprobe.judging.run_checks import Case, finding_key, notes, run_checks
from hardenprobe.model import UNPROVEN, Endpoint, Observation, Reach, Reason, Result, Severity, Vantage, Word
from hardenprobe.plugins import registry
from hardenprobe.plugins.registry import Registry
from hardenprobe.remediation.general import CLOSE_PORT
from hardenprobe.testing import at, declared, seen_device, snmp_answer, tcp_port

HIGH, LOW = "AV:N/AC:L/Au:N/C:C/I:C/A:C/PL:ND/EM:A", "AV:L/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:A"
DOCUMENT = "A port is open.\n\n" + "\n".join(f"{h}\n    text" for h in HEADINGS)
Judge = Callable[[DeviceView, Any], Iterable[Outcome]]


@dataclass(frozen=True, kw_only=True)
class Wanted:
    port: int


def check(run: Judge, **changes: Any) -> Check[Any]:
    plain: dict[str, Any] = {
        "id": "port-open",
        "document": DOCUMENT,
        "reads": (TcpPort,),
        "judge": run,
        "vectors": {"": LOW},
        "remedy": CLOSE_PORT,
        "controls": ("CM-7",),
    }
    return Check(**{**plain, **changes})


def expected(made: Check[Any], asked: bool = True) -> Baseline:
    real = baseline.load(baseline.DEFAULT, registry.load(plugins=False))
    return replace(real, settings={made.id: NoSettings()} if asked else {})


def results(
    made: Check[Any],
    *observations: Observation[Any],
    asked: bool = True,
    selected: bool = True,
    reach: Reach = Reach.ASK,
    vantages: tuple[str, ...] = ("office",),
) -> tuple[Result, ...]:
    device = seen_device(*observations).device
    case = Case(
        devices=[device],
        observations={device.id: observations},
        vantages=[Vantage(name=v) for v in vantages],
        clock=UNPROVEN,
        reach=reach,
        selected=frozenset({made.id} if selected else ()),
    )
    known = Registry(checks={made.id: made}, origins={made.id: "site-rules 2.1"})
    return run_checks(case, expected(made, asked), known)


def failing(seen: DeviceView, expect: object) -> Iterable[Outcome]:
    for port in seen.accepting:
        yield fail(port, "open", "closed")


PORT = tcp_port(23)


def test_a_finding_carries_all_that_a_reader_needs() -> None:
    (result,) = results(check(failing), PORT)
    assert (result.result, result.score, result.severity, result.vector) == (
        Word.FAIL,
        1.2,
        Severity.LOW,
        LOW,
    )
    assert (result.remedy, result.controls, result.origin) == (CLOSE_PORT.id, ("CM-7",), "site-rules 2.1")
    assert (result.vantage, result.observations, result.endpoint) == ("office", (PORT.id,), PORT.endpoint)


def test_what_is_no_finding_has_no_score_and_no_remedy() -> None:
    (result,) = results(check(lambda seen, expect: [passed(PORT, "x", "y")]), PORT)
    assert (result.score, result.severity, result.vector, result.remedy) == (None, None, None, None)


@pytest.mark.parametrize(
    ("named", "vectors", "vector"),
    [
        pytest.param(None, {"": LOW}, LOW, id="the only one"),
        pytest.param("grave", {"": LOW, "grave": HIGH}, HIGH, id="named"),
        pytest.param("", {"grave": HIGH, "": LOW}, LOW, id="the ordinary one, named, not written first"),
        pytest.param(
            None, {"grave": HIGH, "": LOW}, LOW, id="the ordinary one, not named, not written first"
        ),
        pytest.param(None, {"grave": HIGH, "mild": LOW}, HIGH, id="no ordinary one"),
    ],
)
def test_the_vector_of_an_outcome(named: str | None, vectors: dict[str, str], vector: str) -> None:
    def run(seen: DeviceView, expect: object) -> Iterable[Outcome]:
        yield fail(PORT, "x", "y", vector=named)

    (result,) = results(check(run, vectors=vectors), PORT)
    assert result.vector == vector


@pytest.mark.parametrize(
    ("options", "word", "reason"),
    [
        pytest.param({"selected": False}, Word.NOTSELECTED, None, id="left out of the scan"),
        pytest.param({"asked": False}, Word.NOTSELECTED, None, id="the baseline does not ask"),
        pytest.param({"reach": Reach.LOOK}, Word.NOTCHECKED, Reason.REACH, id="needs more reach"),
    ],
)
def test_a_check_that_is_not_run(options: dict[str, Any], word: Word, reason: Reason | None) -> None:
    def never(seen: DeviceView, expect: object) -> Iterable[Outcome]:
        raise AssertionError("it ran")

    (result,) = results(check(never), PORT, **options)
    assert (result.result, result.reason) == (word, reason)


def test_a_check_that_asks_the_network_nothing_runs_at_any_reach() -> None:
    (result,) = results(check(failing, reach=None), PORT, reach=Reach.LOOK)
    assert result.result is Word.FAIL


def test_a_check_that_breaks_is_named_and_costs_its_own_result(caplog: pytest.LogCaptureFixture) -> None:
    def breaks(seen: DeviceView, expect: object) -> Iterable[Outcome]:
        yield fail(PORT, "x", "y")
        raise RuntimeError("no\nway")

    log = logging.getLogger("hardenprobe")
    propagates, log.propagate = log.propagate, True
    try:
        (result,) = results(check(breaks), PORT)
    finally:
        log.propagate = propagates
    assert (result.result, result.reason) == (Word.ERROR, Reason.CRASHED)
    line = breaks.__code__.co_firstlineno + 2
    assert result.observed.text == rf"RuntimeError: 'no\nway' ({__file__}, line {line})"
    assert "Traceback" in caplog.text


def test_a_check_that_says_nothing_is_unknown() -> None:
    (result,) = results(check(lambda seen, expect: []), PORT)
    assert (result.result, result.reason) == (Word.UNKNOWN, Reason.INCONCLUSIVE)


def fault(reason: Reason, kinds: tuple[str, ...] = ("tcp-port",)) -> Observation[Any]:
    facts = ProbeFault(probe="tcp", kinds=kinds, reason=reason, text=f"stopped: {reason}")
    return replace(at(1, facts), endpoint=None)


@pytest.mark.parametrize(
    ("faults", "word", "reason"),
    [
        pytest.param([fault(Reason.CEILING)], Word.UNKNOWN, Reason.CEILING, id="ceiling"),
        pytest.param([fault(Reason.CRASHED)], Word.ERROR, Reason.CRASHED, id="our bug"),
        pytest.param(
            [fault(Reason.CEILING), fault(Reason.CRASHED)],
            Word.ERROR,
            Reason.CRASHED,
            id="the gravest counts",
        ),
        pytest.param(
            [fault(Reason.CEILING, ("http-answer",))], Word.PASS, None, id="of what it does not read"
        ),
    ],
)
def test_what_could_not_be_asked_is_no_pass(
    faults: list[Observation[Any]], word: Word, reason: Reason | None
) -> None:
    (result,) = results(check(lambda seen, expect: [passed(PORT, "x", "y")]), PORT, *faults)
    assert (result.result, result.reason) == (word, reason)
    if word is not Word.PASS:
        assert result.observations == (faults[-1].id,)
        assert "stopped" in result.observed.text


def fault_at(port: int, reason: Reason = Reason.CRASHED) -> Observation[Any]:
    return at(port, fault(reason).facts)


HERE, THERE = at(80, PORT.facts), at(443, PORT.facts)
NOWHERE = inapplicable("nothing is declared", "-")


@pytest.mark.parametrize(
    ("says", "faults", "words"),
    [
        pytest.param([passed(HERE, "x", "y")], [fault_at(80)], {80: Word.ERROR}, id="its own place"),
        pytest.param([passed(HERE, "x", "y")], [fault_at(443)], {80: Word.PASS, 443: Word.ERROR}, id="another place"),
        pytest.param(
            [passed(HERE, "x", "y"), passed(THERE, "x", "y", subject="s")],
            [fault_at(443)],
            {80: Word.PASS, 443: Word.ERROR},
            id="one of two places",
        ),
        pytest.param([fail(HERE, "x", "y")], [fault_at(80)], {80: Word.FAIL}, id="a finding stays"),
        pytest.param([fail(HERE, "x", "y")], [fault_at(443)], {80: Word.FAIL, 443: Word.ERROR}, id="beside a finding"),
        pytest.param([replace(passed(HERE, "x", "y"), endpoint=None)], [fault_at(443)], {None: Word.ERROR}, id="the whole device"),
        pytest.param([NOWHERE], [fault_at(443)], {None: Word.NOTAPPLICABLE}, id="settled by the inventory"),
        pytest.param([NOWHERE], [fault(Reason.CRASHED)], {None: Word.NOTAPPLICABLE}, id="settled, nothing obtained"),
        pytest.param([], [fault_at(80)], {80: Word.ERROR}, id="the check says nothing"),
        pytest.param([unknown(HERE, "x", "y")], [fault_at(80)], {80: Word.ERROR}, id="not determined for that reason"),
        pytest.param([passed(HERE, "x", "y")], [fault_at(80, Reason.SILENT)], {80: Word.UNKNOWN}, id="silent"),
        pytest.param(
            [passed(HERE, "x", "y")],
            [fault_at(80, Reason.SILENT), fault_at(80)],
            {80: Word.ERROR},
            id="the gravest counts there",
        ),
    ],
)  # fmt: skip
def test_what_was_not_obtained_costs_its_place(
    says: list[Outcome], faults: list[Observation[Any]], words: dict[int | None, Word]
) -> None:
    found = results(check(lambda seen, expect: says), HERE, THERE, *faults)
    assert {r.endpoint.port if r.endpoint else None: r.result for r in found} == words
    assert len(found) == len(words)
    for result in found:
        if result.result is Word.ERROR:
            assert set(result.observations) <= {one.id for one in faults}
            assert "probe tcp crashed" in result.observed.text


def test_what_only_identifies_a_port_costs_no_error() -> None:
    one = check(
        lambda seen, expect: [passed(HERE, "x", "y")], reads=(TcpPort, SnmpAnswer), identifies=(TcpPort,)
    )
    (result,) = results(one, HERE, fault_at(443))
    assert result.result is Word.PASS


def test_a_finding_stands_beside_a_fault() -> None:
    (result,) = results(check(failing), PORT, fault(Reason.CRASHED))
    assert result.result is Word.FAIL


def test_each_vantage_point_is_judged_by_what_was_seen_from_it() -> None:
    def run(seen: DeviceView, expect: object) -> Iterable[Outcome]:
        here = seen.of(SnmpAnswer)
        yield (fail(here[0], "answers", "-") if here else unknown(seen.elsewhere[0], "only elsewhere", "-"))

    guest = snmp_answer(vantage="guest")
    entry = declared(TcpPort(state=PORT.facts.state))
    found = results(check(run, reads=(SnmpAnswer,)), guest, entry, vantages=("office", "guest"))
    assert [(r.vantage, r.result) for r in found] == [("office", Word.UNKNOWN), ("guest", Word.FAIL)]
    assert found[0].finding != ""


def test_what_the_inventory_says_is_seen_from_everywhere() -> None:
    entry = declared(TcpPort(state=PORT.facts.state))
    seen_by = results(check(failing), entry, vantages=("office", "guest"))
    assert [r.result for r in seen_by] == [Word.FAIL, Word.FAIL]


def where(address: str, **more: Any) -> Endpoint:
    return Endpoint(address=address, transport="tcp", port=80, **more)


def test_a_finding_keeps_its_name_when_the_address_moves_or_the_protocol_changes() -> None:
    one = {4: 1}
    name = finding_key("dev-1", "port-open", where("192.0.2.1"), None, one)
    assert finding_key("dev-1", "port-open", where("192.0.2.9"), None, one) == name
    assert finding_key("dev-1", "port-open", where("192.0.2.1", protocol="http"), None, one) == name


def test_a_finding_is_another_one_for_every_other_difference() -> None:
    both = {4: 2, 6: 1}
    keys = {
        finding_key("dev-1", "port-open", where("192.0.2.1"), None, both),
        finding_key("dev-1", "port-open", where("192.0.2.2"), None, both),
        finding_key("dev-1", "port-open", where("2001:db8::1"), None, both),
        finding_key("dev-1", "port-open", where("192.0.2.1", path="/x"), None, both),
        finding_key("dev-1", "port-open", where("192.0.2.1", server_name="x"), None, both),
        finding_key("dev-1", "port-open", where("192.0.2.1"), "subject", both),
        finding_key("dev-1", "port-shut", where("192.0.2.1"), None, both),
        finding_key("dev-2", "port-open", where("192.0.2.1"), None, both),
        finding_key("dev-1", "port-open", None, None, both),
    }
    assert len(keys) == 9


def test_notes_keep_what_a_reader_needs_of_every_check() -> None:
    known = registry.load(plugins=False)
    kept = {note.id: note for note in notes(known)}
    assert set(kept) == set(known.checks)
    telnet = kept["cleartext-telnet"]
    assert telnet.title == "A port speaks telnet"
    assert telnet.references[0].startswith("RFC 854")


@pytest.mark.parametrize(
    ("services", "word", "said"),
    [
        (("raw-print",), Word.INFORMATIONAL, "open; the baseline allows raw-print"),
        (("mdns",), Word.FAIL, "open"),
        ((), Word.FAIL, "open"),
    ],
)
def test_a_service_that_the_baseline_allows_is_told_and_no_finding(
    services: tuple[str, ...], word: Word, said: str
) -> None:
    made = check(lambda seen, expect: [fail(seen.of(TcpPort)[0], "open", "shut")], service="raw-print")
    seen = seen_device(tcp_port(9100))
    case = Case(
        devices=[seen.device],
        observations={seen.device.id: seen.observations},
        vantages=[seen.vantage],
        clock=UNPROVEN,
        reach=Reach.ASK,
        selected=frozenset({made.id}),
    )
    allowing = replace(expected(made), allowed_services=frozenset(services))
    (one,) = run_checks(case, allowing, Registry(checks={made.id: made}, origins={made.id: "x"}))

    assert (one.result, one.observed.text) == (word, said)
    assert (one.score is None) == (word is not Word.FAIL)
