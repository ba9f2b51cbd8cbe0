"""device-bridges-networks: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.device_bridges_networks import CHECK
from hardenprobe.facts import Interface, SnmpObjects
from hardenprobe.model import Observation, State, Word
from hardenprobe.testing import at, seen_device, snmp_answer


def objects(*, origin: str = "default", **more: Any) -> Observation[Any]:
    facts = SnmpObjects(version="2c", label="public", origin=origin, **more)
    return at(161, facts, transport="udp", protocol="snmp")


def interface(kind: int = 6, up: bool = True) -> Interface:
    return Interface(index="1", type=kind, up=up)


@pytest.mark.parametrize(
    ("observations", "told"),
    [
        pytest.param(
            [objects(interfaces=(interface(), interface(71)))], [(Word.FAIL, "interfaces")], id="two up"
        ),
        pytest.param(
            [objects(interfaces=(interface(),), forwarding=1)], [(Word.FAIL, "forwarding")], id="it forwards"
        ),
        pytest.param(
            [objects(interfaces=(interface(), interface(71)), forwarding=1)],
            [(Word.FAIL, "forwarding"), (Word.FAIL, "interfaces")],
            id="both",
        ),
        pytest.param(
            [objects(interfaces=(interface(), interface(24)))], [(Word.PASS, None)], id="loopback is none"
        ),
        pytest.param(
            [objects(interfaces=(interface(), interface(71, up=False)), forwarding=2)],
            [(Word.PASS, None)],
            id="the second is down",
        ),
        pytest.param(
            [objects(origin="supplied", forwarding=1)], [(Word.FAIL, "forwarding")], id="own community"
        ),
        pytest.param([objects(), snmp_answer()], [(Word.UNKNOWN, None)], id="not in the view"),
        pytest.param([snmp_answer(state=State.REFUSING)], [(Word.NOTAPPLICABLE, None)], id="no agent"),
        pytest.param([], [(Word.UNKNOWN, None)], id="nothing was asked"),
    ],
)
def test_branch(observations: list[Observation[Any]], told: list[tuple[Word, str | None]]) -> None:
    assert [(o.word, o.subject) for o in CHECK.judge(seen_device(*observations), NoSettings())] == told
