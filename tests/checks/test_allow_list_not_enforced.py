"""allow-list-not-enforced: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.allow_list_not_enforced import CHECK
from hardenprobe.facts import DeclaredAllowList, HttpAnswer, SnmpEngine
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, declared, seen_device, snmp_answer, tcp_port

ELSEWHERE = ("192.0.2.0/24",)


def listed(*services: str, entries: tuple[str, ...] = ELSEWHERE) -> Observation[Any]:
    facts = DeclaredAllowList(services=services, entries=entries, approved=(), position=1, source="inventory")
    return declared(facts)


def page(status: int | None, fault: str | None = None) -> Observation[Any]:
    return at(80, HttpAnswer(tls=False, path="/", status=status, fault=fault), protocol="http", path="/")


def engine(state: State, **more: Any) -> Observation[Any]:
    return at(161, SnmpEngine(state=state, **more), transport="udp", protocol="snmp")


@pytest.mark.parametrize(
    ("service", "observations", "word", "reason"),
    [
        pytest.param("http", [tcp_port(80), page(200)], Word.FAIL, None, id="a page"),
        pytest.param("http", [tcp_port(80), page(401)], Word.FAIL, None, id="401 serves"),
        pytest.param("http", [tcp_port(80), page(403)], Word.PASS, None, id="403"),
        pytest.param("http", [tcp_port(80), page(None, "closed")], Word.PASS, None, id="closes at a request"),
        pytest.param("http", [tcp_port(80, closed=True)], Word.PASS, None, id="accepts and closes"),
        pytest.param("http", [tcp_port(80)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="a bare handshake"),
        pytest.param(
            "http", [tcp_port(80), page(None, "not HTTP")], Word.UNKNOWN, Reason.INCONCLUSIVE, id="not HTTP"
        ),
        pytest.param(
            "http",
            [tcp_port(80, State.SILENT), tcp_port(443)],
            Word.PASS,
            Reason.DROPPED,
            id="silent while another port answers",
        ),
        pytest.param(
            "http", [tcp_port(80, State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="device not proven alive"
        ),
        pytest.param("http", [tcp_port(80, State.REFUSING)], Word.NOTAPPLICABLE, None, id="reset"),
        pytest.param("http", [], Word.NOTAPPLICABLE, None, id="service absent"),
        pytest.param("raw-print", [tcp_port(9100)], Word.FAIL, None, id="a connection that stays open"),
        pytest.param("ssh", [tcp_port(22, greeting="SSH-2.0-x")], Word.FAIL, None, id="SSH greets"),
        pytest.param("ssh", [tcp_port(22, closed=True)], Word.PASS, None, id="SSH closes before it greets"),
        pytest.param("telnet", [tcp_port(23, closed=True)], Word.PASS, None, id="a connection that does not"),
        pytest.param(
            "raw-print",
            [tcp_port(9100), tcp_port(50000, control=True)],
            Word.UNKNOWN,
            Reason.AMBIGUOUS,
            id="tarpit",
        ),
        pytest.param("snmp", [snmp_answer()], Word.FAIL, None, id="SNMP answers"),
        pytest.param(
            "snmp", [engine(State.ACCEPTING, engine_id="80")], Word.FAIL, None, id="an engine answers"
        ),
        pytest.param("snmp", [engine(State.REFUSING)], Word.PASS, None, id="SNMP unreachable"),
        pytest.param(
            "snmp", [snmp_answer(state=State.SILENT)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="SNMP silent"
        ),
    ],
)
def test_branch(
    service: str, observations: list[Observation[Any]], word: Word, reason: Reason | None
) -> None:
    (outcome,) = CHECK.judge(seen_device(listed(service), *observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)


@pytest.mark.parametrize("translated", [True, None])
def test_a_translator_on_the_way_makes_it_unknown(translated: bool | None) -> None:
    seen = seen_device(listed("http"), tcp_port(80), page(200), translated=translated)
    assert [o.word for o in CHECK.judge(seen, NoSettings())] == [Word.UNKNOWN]


@pytest.mark.parametrize(
    ("source", "lists", "word"),
    [
        pytest.param(None, [listed("http")], Word.UNKNOWN, id="the source address of the scan is not known"),
        pytest.param(
            "127.0.0.1", [listed("http", entries=("127.0.0.0/8",))], Word.NOTAPPLICABLE, id="we are admitted"
        ),
        pytest.param("127.0.0.1", [], Word.NOTAPPLICABLE, id="no list"),
        pytest.param(
            "127.0.0.1", [listed("http", entries=())], Word.NOTAPPLICABLE, id="an empty list admits everyone"
        ),
        pytest.param(
            "127.0.0.1",
            [listed("http"), listed("http", entries=("127.0.0.1",))],
            Word.NOTAPPLICABLE,
            id="a second list of the service admits us",
        ),
    ],
)
def test_lists_that_say_nothing_of_us(source: str | None, lists: list[Observation[Any]], word: Word) -> None:
    seen = seen_device(*lists, tcp_port(80), page(200), source=source)
    assert [o.word for o in CHECK.judge(seen, NoSettings())] == [word]


def test_each_address_is_judged_by_itself() -> None:
    other = at(
        80, HttpAnswer(tls=False, path="/", status=403), protocol="http", path="/", address="127.0.9.11"
    )
    outcomes = CHECK.judge(seen_device(listed("http"), page(200), other), NoSettings())
    assert [(o.word, o.endpoint and o.endpoint.address) for o in outcomes] == [
        (Word.FAIL, "127.0.9.10"),
        (Word.PASS, "127.0.9.11"),
    ]


@pytest.mark.parametrize(
    ("elsewhere", "word"),
    [
        pytest.param((page(200),), Word.PASS, id="serves another vantage point"),
        pytest.param((page(403),), Word.NOTAPPLICABLE, id="refuses there as well"),
        pytest.param((tcp_port(80, State.REFUSING),), Word.NOTAPPLICABLE, id="off there as well"),
        pytest.param((), Word.NOTAPPLICABLE, id="nobody else asked"),
    ],
)
def test_a_reset_here_means_the_list_where_another_vantage_point_is_served(
    elsewhere: tuple[Observation[Any], ...], word: Word
) -> None:
    seen = seen_device(listed("http"), tcp_port(80, State.REFUSING), elsewhere=elsewhere)
    assert [o.word for o in CHECK.judge(seen, NoSettings())] == [word]
