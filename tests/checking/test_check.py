"""What a check is, and what its judge may look at."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from hardenprobe.checking.check import (
    HEADINGS,
    Check,
    Fleet,
    NoSettings,
    SharedValue,
    fail,
    note,
    passed,
    unknown,
)
from hardenprobe.facts import DeclaredDevice, HttpAnswer, SnmpAnswer, SnmpEngine, TcpPort
from hardenprobe.model import Reason, State, Word
from hardenprobe.remediation.general import CLOSE_PORT
from hardenprobe.testing import at, declared, seen_device, snmp_answer, tcp_port

DOCUMENT = "A port is open.\n\n" + "\n".join(f"{h}\n    one line\n    and more." for h in HEADINGS)
VECTOR = "AV:N/AC:L/Au:N/C:N/I:P/A:N/PL:ND/EM:A"


def make(**changes: Any) -> Check[NoSettings]:
    plain: dict[str, Any] = {
        "id": "port-open",
        "document": DOCUMENT,
        "reads": (TcpPort,),
        "judge": lambda seen, expect: [],
        "vectors": {"": VECTOR},
        "remedy": CLOSE_PORT,
        "controls": ("CM-7",),
    }
    return Check(**{**plain, **changes})


def test_the_docstring_is_taken_apart() -> None:
    check = make()
    assert check.title == "A port is open"
    assert check.sections["Fails when"] == "one line and more."
    assert check.references == ("one line and more",)


def test_references_are_told_apart_by_semicolons() -> None:
    text = DOCUMENT.replace(
        "Sources\n    one line\n    and more.", "Sources\n    RFC 1, section 2; RFC\n    3."
    )
    assert make(document=text).references == ("RFC 1, section 2", "RFC 3")


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        pytest.param({"id": "telnet"}, "lower-case words joined by dashes", id="one word"),
        pytest.param({"id": "Port-open"}, "lower-case words joined by dashes", id="capital"),
        pytest.param({"id": "port_open"}, "lower-case words joined by dashes", id="underscore"),
        pytest.param({"document": None}, "docstring headings are ()", id="no docstring"),
        pytest.param(
            {"document": DOCUMENT.replace("Reach", "Range")}, "docstring headings are", id="heading"
        ),
        pytest.param({"vectors": {}}, "has no vector", id="no vector"),
    ],
)
def test_a_check_that_breaks_the_contract_is_refused(changes: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError) as caught:
        make(**changes)
    assert says in str(caught.value)


PORT = tcp_port(23)


def test_outcomes_point_at_what_was_seen() -> None:
    for outcome, word in (
        (fail(PORT, "x", "y", subject="s", vector="v"), Word.FAIL),
        (passed(PORT, "x", "y", subject="s"), Word.PASS),
        (unknown(PORT, "x", "y", subject="s"), Word.UNKNOWN),
        (note(PORT, "x", "y", subject="s"), Word.INFORMATIONAL),
    ):
        assert (outcome.word, outcome.endpoint, outcome.proof) == (word, PORT.endpoint, (PORT.id,))
        assert (outcome.observed.text, outcome.expected.text, outcome.subject) == ("x", "y", "s")
    assert unknown(PORT, "x", "y").reason is Reason.INCONCLUSIVE
    named = fail(PORT, "x", "y", protocol="telnet").endpoint
    assert named is not None and PORT.endpoint is not None
    assert named == replace(PORT.endpoint, protocol="telnet")


def test_an_outcome_of_what_has_no_endpoint() -> None:
    entry = declared(DeclaredDevice(asset_tag="HO-1", device_kind="printer"))
    assert fail(entry, "x", "y", protocol="telnet").endpoint is None


@pytest.mark.parametrize(
    ("observations", "answers"),
    [
        pytest.param([], False, id="nothing"),
        pytest.param([tcp_port(23, State.SILENT)], False, id="silent"),
        pytest.param([tcp_port(23, State.REFUSING)], True, id="a reset"),
        pytest.param([tcp_port(23)], True, id="accepting"),
        pytest.param([snmp_answer(state=State.SILENT)], False, id="a silent agent"),
        pytest.param([snmp_answer(state=State.REFUSING)], True, id="an unreachable port"),
        pytest.param(
            [declared(DeclaredDevice(asset_tag="HO-1", device_kind="printer"))], False, id="inventory"
        ),
    ],
)
def test_a_device_is_alive_when_something_answered(observations: list[Any], answers: bool) -> None:
    assert seen_device(*observations).answers is answers


def test_views_of_what_was_seen() -> None:
    control = tcp_port(50000, control=True)
    page = at(80, HttpAnswer(tls=False, path="/", status=200))
    mute = at(8080, HttpAnswer(tls=False, path="/", status=None))
    entry = declared(DeclaredDevice(asset_tag="HO-1", device_kind="printer"))
    closed = tcp_port(21, State.REFUSING)
    seen = seen_device(tcp_port(22, speaks="ssh"), closed, control, page, mute, snmp_answer(), entry)
    assert [o.endpoint.port for o in seen.tcp_ports if o.endpoint] == [22, 21]
    assert [o.endpoint.port for o in seen.accepting if o.endpoint] == [22]
    assert seen.identified == {("127.0.9.10", 22), ("127.0.9.10", 80)}
    assert seen.ambiguous
    assert not seen_device(tcp_port(50000, State.REFUSING, control=True)).ambiguous
    assert seen.listed == entry.facts
    assert seen_device().listed is None
    assert [o.facts for o in seen.of(SnmpAnswer)] == [snmp_answer().facts]


def test_a_fleet_tells_who_shares_what() -> None:
    def member(n: int, engine: str | None) -> Any:
        facts = SnmpEngine(state=State.ACCEPTING, engine_id=engine)
        seen = seen_device(at(161, facts, transport="udp"))
        return replace(seen, device=replace(seen.device, id=f"dev-{n}"))

    engine = SharedValue(
        facts=(SnmpEngine,), values=lambda facts: [facts.engine_id] if facts.engine_id else []
    )
    members = [member(1, "80aa"), member(2, "80aa"), member(5, "80aa"), member(3, "80bb"), member(4, None)]
    fleet = Fleet(members, [engine])
    assert fleet.others(engine, "80aa", "dev-1") == ["dev-2", "dev-5"]
    assert fleet.others(engine, "80aa", "dev-9") == ["dev-1", "dev-2", "dev-5"]
    assert fleet.others(engine, "80bb", "dev-3") == fleet.others(engine, "80cc", "dev-3") == []
    assert len(fleet.labels) == 5


def test_a_fleet_refuses_to_compare_what_it_did_not_keep() -> None:
    """An empty answer would be a pass that nobody looked for."""
    undeclared = SharedValue(facts=(SnmpEngine,), values=lambda facts: [facts.engine_id])
    with pytest.raises(LookupError, match="does not name in `compares`"):
        Fleet([seen_device(snmp_answer())]).others(undeclared, "80aa", "dev-1")
    assert Fleet().others(undeclared, "80aa", "dev-1") == [], "nobody is in it"
