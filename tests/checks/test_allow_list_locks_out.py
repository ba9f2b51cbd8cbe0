"""allow-list-locks-out: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.allow_list_locks_out import CHECK
from hardenprobe.facts import DeclaredAllowList, HttpAnswer, SnmpEngine
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, declared, seen_device, snmp_answer, tcp_port


def listed(*services: str, entries: tuple[str, ...] = ("127.0.0.0/8",)) -> Observation[Any]:
    return declared(
        DeclaredAllowList(
            services=services, entries=entries, position=1, approved=(), source="inventory.yaml"
        )
    )


def page(status: int | None, fault: str | None = None) -> Observation[Any]:
    return at(443, HttpAnswer(tls=True, path="/", status=status, fault=fault))


SILENT, OPEN, SHUT = tcp_port(443, State.SILENT), tcp_port(443), tcp_port(443, closed=True)
ALIVE = tcp_port(79, State.REFUSING)


@pytest.mark.parametrize(
    ("observations", "more", "word", "reason"),
    [
        pytest.param([listed("https"), OPEN, page(200)], {}, Word.PASS, None, id="serves"),
        pytest.param([listed("https"), OPEN, page(401)], {}, Word.PASS, None, id="asks who we are"),
        pytest.param([listed("https"), OPEN, page(403)], {}, Word.FAIL, None, id="403"),
        pytest.param([listed("https"), SHUT], {}, Word.FAIL, None, id="closes at once"),
        pytest.param(
            [listed("https"), OPEN, page(None, "closed")], {}, Word.FAIL, None, id="closes when asked"
        ),
        pytest.param([listed("https"), SILENT, ALIVE], {}, Word.FAIL, None, id="silent, the device is not"),
        pytest.param([listed("https"), SILENT], {}, Word.UNKNOWN, Reason.SILENT, id="silent throughout"),
        pytest.param(
            [listed("https"), SHUT], {"translated": None}, Word.UNKNOWN, Reason.INCONCLUSIVE, id="translated?"
        ),
        pytest.param([listed("https"), OPEN], {}, Word.UNKNOWN, Reason.INCONCLUSIVE, id="nothing was asked"),
        pytest.param(
            [listed("https"), tcp_port(443, State.REFUSING)], {}, Word.NOTAPPLICABLE, None, id="off"
        ),
        pytest.param(
            [listed("https", entries=("192.0.2.1",)), SHUT], {}, Word.NOTAPPLICABLE, None, id="not admitted"
        ),
        pytest.param(
            [listed("https"), listed("https", entries=("192.0.2.1",)), SHUT],
            {},
            Word.NOTAPPLICABLE,
            None,
            id="not on every list",
        ),
        pytest.param([listed("https", entries=()), SHUT], {}, Word.NOTAPPLICABLE, None, id="an empty list"),
        pytest.param([SHUT], {}, Word.NOTAPPLICABLE, None, id="no list"),
        pytest.param([listed("https"), SHUT], {"source": None}, Word.UNKNOWN, None, id="who are we"),
        pytest.param(
            [listed("telnet"), tcp_port(23)], {}, Word.PASS, None, id="a connection that stays open"
        ),
        pytest.param(
            [listed("telnet"), tcp_port(23), tcp_port(50001, control=True)],
            {},
            Word.UNKNOWN,
            Reason.AMBIGUOUS,
            id="everything accepts",
        ),
        pytest.param([listed("snmp"), snmp_answer()], {}, Word.PASS, None, id="SNMP answers"),
        pytest.param(
            [listed("snmp"), snmp_answer(state=State.SILENT), ALIVE],
            {},
            Word.UNKNOWN,
            Reason.INCONCLUSIVE,
            id="SNMP may dislike the community",
        ),
        pytest.param(
            [listed("snmp"), at(161, SnmpEngine(state=State.REFUSING), transport="udp")],
            {},
            Word.UNKNOWN,
            Reason.INCONCLUSIVE,
            id="SNMP is off",
        ),
    ],
)
def test_branch(
    observations: list[Observation[Any]], more: dict[str, Any], word: Word, reason: Reason | None
) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations, **more), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)


@pytest.mark.parametrize(
    ("elsewhere", "word"),
    [
        pytest.param((page(200),), Word.FAIL, id="serves another vantage point"),
        pytest.param((page(403),), Word.NOTAPPLICABLE, id="refuses there as well"),
        pytest.param((tcp_port(443, State.REFUSING),), Word.NOTAPPLICABLE, id="off there as well"),
        pytest.param((), Word.NOTAPPLICABLE, id="nobody else asked"),
    ],
)
def test_a_reset_here_means_the_list_where_another_vantage_point_is_served(
    elsewhere: tuple[Observation[Any], ...], word: Word
) -> None:
    seen = seen_device(listed("https"), tcp_port(443, State.REFUSING), elsewhere=elsewhere)
    assert [o.word for o in CHECK.judge(seen, NoSettings())] == [word]
