"""segment-reach: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checks.segment_reach import CHECK, Settings
from hardenprobe.facts import HttpAnswer
from hardenprobe.model import Observation, Reach, State, Word
from hardenprobe.standards.segments import Segment
from hardenprobe.testing import at, seen_device, snmp_answer, tcp_port

GUESTS = Settings(
    segments=(
        Segment(name="guests", networks=("127.0.0.0/24",), forbidden=("https", "snmp"), needed=("ipp",)),
        Segment(name="everybody", networks=("0.0.0.0/0",), forbidden=("telnet",)),
    )
)


def page(status: int) -> Observation[Any]:
    return at(443, HttpAnswer(tls=True, path="/", status=status))


OPEN, SHUT, OFF = tcp_port(443), tcp_port(443, closed=True), tcp_port(443, State.REFUSING)
SILENT, IPP = tcp_port(443, State.SILENT), tcp_port(631)


@pytest.mark.parametrize(
    ("observations", "more", "words"),
    [
        pytest.param([OPEN, page(200)], {}, [Word.FAIL], id="forbidden, serves"),
        pytest.param([OPEN], {}, [Word.FAIL], id="forbidden, open, nothing asked"),
        pytest.param([snmp_answer()], {}, [Word.FAIL], id="forbidden, SNMP answers"),
        pytest.param([OPEN, page(403)], {}, [Word.PASS], id="forbidden, 403"),
        pytest.param([SHUT], {}, [Word.PASS], id="forbidden, closes"),
        pytest.param([OFF], {}, [Word.PASS], id="forbidden, refuses"),
        pytest.param([SILENT], {}, [Word.UNKNOWN], id="forbidden, silent"),
        pytest.param([SILENT], {"elsewhere": (OPEN,)}, [Word.PASS], id="forbidden, silent, serves elsewhere"),
        pytest.param([SILENT], {"elsewhere": (OFF,)}, [Word.UNKNOWN], id="forbidden, silent, serves nobody"),
        pytest.param([OPEN], {"translated": None}, [Word.UNKNOWN], id="translated?"),
        pytest.param([OPEN, tcp_port(50001, control=True)], {}, [Word.UNKNOWN], id="everything accepts"),
        pytest.param([IPP], {}, [Word.PASS], id="needed, serves"),
        pytest.param(
            [tcp_port(631, closed=True)], {"elsewhere": (IPP,)}, [Word.FAIL], id="needed, shut for us"
        ),
        pytest.param(
            [tcp_port(631, closed=True)],
            {"elsewhere": (IPP,), "translated": None},
            [Word.UNKNOWN],
            id="needed, translated?",
        ),
        pytest.param(
            [tcp_port(631, State.REFUSING)], {}, [Word.NOTAPPLICABLE], id="needed, off for all we know"
        ),
        pytest.param([tcp_port(631, State.SILENT)], {}, [Word.UNKNOWN], id="needed, silent"),
        pytest.param([tcp_port(9100)], {}, [Word.NOTAPPLICABLE], id="the policy does not speak of it"),
        pytest.param([tcp_port(23)], {"source": "192.0.2.7"}, [Word.FAIL], id="another segment"),
        pytest.param([OPEN], {"source": "192.0.2.7"}, [Word.NOTAPPLICABLE], id="not forbidden there"),
        pytest.param([OPEN], {"source": "2001:db8::1"}, [Word.NOTAPPLICABLE], id="in no segment"),
        pytest.param([OPEN], {"source": None}, [Word.UNKNOWN], id="who are we"),
    ],
)
def test_branch(observations: list[Observation[Any]], more: dict[str, Any], words: list[Word]) -> None:
    assert [o.word for o in CHECK.judge(seen_device(*observations, **more), GUESTS)] == words
    assert CHECK.reach is Reach.LOOK


def test_without_a_policy_it_does_not_apply() -> None:
    (outcome,) = CHECK.judge(seen_device(OPEN, source=None), Settings(segments=()))
    assert outcome.word is Word.NOTAPPLICABLE
