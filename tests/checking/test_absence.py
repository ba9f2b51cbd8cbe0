"""When nothing speaks: every cell of the table at the top of absence.py."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.checking.absence import no_service, off_tcp, off_udp
from hardenprobe.facts import HttpAnswer
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, snmp_answer, tcp_port

RESET, SILENT = tcp_port(21, State.REFUSING), tcp_port(23, State.SILENT)
MUTE, CLOSING = tcp_port(80), tcp_port(80, closed=True)
PAGE = at(80, HttpAnswer(tls=False, path="/", status=200))
RAW = tcp_port(9100)
CONTROL = tcp_port(50000, control=True)


@pytest.mark.parametrize(
    ("observations", "options", "word", "reason"),
    [
        pytest.param([RESET], {}, Word.PASS, None, id="reset on every port"),
        pytest.param([SILENT, RESET], {}, Word.PASS, Reason.DROPPED, id="silent, another port answers"),
        pytest.param([SILENT, snmp_answer()], {}, Word.PASS, Reason.DROPPED, id="silent, SNMP answers"),
        pytest.param([SILENT], {}, Word.UNKNOWN, Reason.SILENT, id="silent, device not proven alive"),
        pytest.param([MUTE, RESET], {}, Word.UNKNOWN, Reason.INCONCLUSIVE, id="accepts, not recognised"),
        pytest.param([CLOSING, RESET], {}, Word.UNKNOWN, Reason.DROPPED, id="accepts and closes"),
        pytest.param([MUTE, PAGE], {}, Word.PASS, None, id="accepts, speaks something else"),
        pytest.param([tcp_port(9100)], {}, Word.PASS, None, id="a port that is never spoken to"),
        pytest.param(
            [tcp_port(9100, closed=True)], {}, Word.UNKNOWN, Reason.DROPPED, id="a raw port that closes on us"
        ),
        pytest.param(
            [tcp_port(515, greeting="hello")],
            {},
            Word.UNKNOWN,
            Reason.INCONCLUSIVE,
            id="unasked words on a port that is never spoken to",
        ),
        pytest.param([MUTE], {"accept_only": True}, Word.PASS, None, id="accepting is no question here"),
        pytest.param(
            [RESET, CONTROL], {"accept_only": True}, Word.UNKNOWN, Reason.AMBIGUOUS, id="tarpit, accept only"
        ),
        pytest.param([MUTE, RESET], {"ports": {21}}, Word.PASS, None, id="only the ports that matter"),
        pytest.param([RESET], {"ports": {79}}, Word.UNKNOWN, Reason.INCONCLUSIVE, id="those not looked at"),
        pytest.param([CONTROL], {}, Word.UNKNOWN, Reason.INCONCLUSIVE, id="the control port is no port"),
        pytest.param([], {}, Word.UNKNOWN, Reason.INCONCLUSIVE, id="nothing looked at"),
    ],
)
def test_off_tcp(observations: list[Any], options: dict[str, Any], word: Word, reason: Reason | None) -> None:
    outcome = off_tcp(seen_device(*observations), "off", **options)
    assert (outcome.word, outcome.reason, outcome.endpoint) == (word, reason, None)


def test_off_tcp_names_the_ports_and_the_vantage_point() -> None:
    assert (
        off_tcp(seen_device(RESET, tcp_port(23, State.REFUSING)), "off").observed.text
        == "off on 21/tcp, 23/tcp"
    )
    assert "from vantage point office only" in off_tcp(seen_device(SILENT, RESET), "off").observed.text
    many = seen_device(*(tcp_port(p, State.REFUSING) for p in range(1, 11)))
    assert off_tcp(many, "off").observed.text == "off on 10 TCP ports (1 to 10)"


UNREACHABLE, NO_ANSWER = snmp_answer(state=State.REFUSING), snmp_answer(state=State.SILENT)
UNREADABLE = snmp_answer(fault="no BER")


@pytest.mark.parametrize(
    ("asked", "elsewhere", "word", "reason"),
    [
        pytest.param([UNREACHABLE], False, Word.PASS, None, id="port unreachable"),
        pytest.param([NO_ANSWER, UNREACHABLE], False, Word.PASS, None, id="unreachable at last"),
        pytest.param([NO_ANSWER], False, Word.UNKNOWN, Reason.SILENT, id="silent"),
        pytest.param([NO_ANSWER], True, Word.PASS, Reason.DROPPED, id="silent, answers elsewhere"),
        pytest.param([UNREADABLE], False, Word.UNKNOWN, Reason.INCONCLUSIVE, id="unreadable"),
        pytest.param(
            [UNREADABLE], True, Word.UNKNOWN, Reason.INCONCLUSIVE, id="unreadable, answers elsewhere"
        ),
        pytest.param(
            [UNREADABLE, UNREACHABLE], False, Word.UNKNOWN, Reason.INCONCLUSIVE, id="unreadable first"
        ),
        pytest.param(
            [NO_ANSWER, snmp_answer(state=State.REFUSING, address="::1")],
            False,
            Word.UNKNOWN,
            Reason.SILENT,
            id="one address unreachable, the other silent",
        ),
        pytest.param([], False, Word.UNKNOWN, Reason.INCONCLUSIVE, id="not asked"),
    ],
)
def test_off_udp(asked: list[Any], elsewhere: bool, word: Word, reason: Reason | None) -> None:
    outcome = off_udp(asked, elsewhere, "off", "SNMP")
    assert (outcome.word, outcome.reason) == (word, reason)
    assert outcome.proof == tuple(o.id for o in asked)


@pytest.mark.parametrize(
    ("observations", "ports", "word", "reason"),
    [
        pytest.param([RESET], None, Word.NOTAPPLICABLE, None, id="reset on every port"),
        pytest.param([SILENT, RESET], None, Word.UNKNOWN, Reason.SILENT, id="silent"),
        pytest.param([CLOSING], None, Word.UNKNOWN, Reason.DROPPED, id="accepts and closes"),
        pytest.param([MUTE, PAGE], None, Word.NOTAPPLICABLE, None, id="service absent"),
        pytest.param([MUTE, RESET], None, Word.UNKNOWN, Reason.INCONCLUSIVE, id="accepts, never answered"),
        pytest.param([MUTE, RESET], {21}, Word.NOTAPPLICABLE, None, id="that accepts is none of its ports"),
        pytest.param([RAW, RESET], None, Word.NOTAPPLICABLE, None, id="a port that is never spoken to"),
        pytest.param([SILENT, RESET], {21}, Word.NOTAPPLICABLE, None, id="only the ports that matter"),
    ],
)
def test_no_service(
    observations: list[Any], ports: set[int] | None, word: Word, reason: Reason | None
) -> None:
    outcome = no_service(seen_device(*observations), "good TLS", "TLS", ports)
    assert (outcome.word, outcome.reason) == (word, reason)


ports: st.SearchStrategy[Observation[Any]] = st.builds(
    tcp_port, st.sampled_from([21, 23, 80, 515, 9100]), st.sampled_from(State), closed=st.booleans()
)


@given(st.lists(ports, max_size=6), st.booleans())
def test_a_pass_is_never_a_guess(observations: list[Any], accept_only: bool) -> None:
    outcome = off_tcp(seen_device(*observations), "off", accept_only=accept_only)
    states = {o.facts.state for o in observations}
    if outcome.word is Word.PASS:
        assert states - {State.SILENT}, "something answered"
        assert (outcome.reason is Reason.DROPPED) is (State.SILENT in states)
        assert outcome.proof
    else:
        assert (outcome.word, outcome.reason is None) == (Word.UNKNOWN, False)
