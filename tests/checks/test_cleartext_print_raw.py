"""cleartext-print-raw: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.cleartext_print_raw import CHECK
from hardenprobe.facts import Channel, SnmpObjects
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, tcp_port

OPEN_CONTROL = tcp_port(50000, control=True)


def objects(**more: Any) -> Observation[Any]:
    facts = SnmpObjects(version="2c", label="public", origin="default", **more)
    return at(161, facts, transport="udp", protocol="snmp")


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([tcp_port(9100)], Word.FAIL, None, id="9100 accepts"),
        pytest.param([tcp_port(9107)], Word.FAIL, None, id="9107 accepts"),
        pytest.param([tcp_port(9100, closed=True)], Word.UNKNOWN, Reason.DROPPED, id="accepts and closes"),
        pytest.param([tcp_port(9100, State.REFUSING)], Word.PASS, None, id="reset"),
        pytest.param([tcp_port(80)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="no raw port looked at (fragile)"),
        pytest.param(
            [tcp_port(9100, State.SILENT), tcp_port(80)],
            Word.PASS,
            Reason.DROPPED,
            id="silent while another port answers",
        ),
        pytest.param([tcp_port(9100, State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="not proven alive"),
        pytest.param([tcp_port(9100), OPEN_CONTROL], Word.UNKNOWN, Reason.AMBIGUOUS, id="tarpit"),
        pytest.param(
            [tcp_port(9100, State.REFUSING), tcp_port(50000, State.REFUSING, control=True)],
            Word.PASS,
            None,
            id="control port refuses",
        ),
        pytest.param(
            [tcp_port(9100, State.REFUSING), objects(printing=True)],
            Word.UNKNOWN,
            Reason.INCONCLUSIVE,
            id="a single-session port refuses while the device prints",
        ),
        pytest.param(
            [tcp_port(9100, State.REFUSING), objects(channels=(Channel(type=11, port=9100),))],
            Word.UNKNOWN,
            Reason.INCONCLUSIVE,
            id="refused, and the printer MIB lists the channel as open",
        ),
        pytest.param(
            [tcp_port(9100, State.REFUSING), objects(channels=(Channel(type=11, port=9100, open=False),))],
            Word.PASS,
            None,
            id="refused, and the channel accepts no data",
        ),
        pytest.param([tcp_port(9100), objects(printing=True)], Word.FAIL, None, id="accepts while it prints"),
    ],
)
def test_branch(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)


def test_a_finding_says_that_the_protocol_was_not_identified() -> None:
    (outcome,) = CHECK.judge(seen_device(tcp_port(9100)), NoSettings())
    assert "service not probed" in outcome.observed.text


def test_each_port_is_a_finding() -> None:
    outcomes = CHECK.judge(seen_device(*(tcp_port(p) for p in (9100, 9101, 9108))), NoSettings())
    assert [o.endpoint.port for o in outcomes if o.endpoint] == [9100, 9101]
