"""network-port-not-authenticated: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.network_port_not_authenticated import CHECK
from hardenprobe.facts import Interface, SnmpObjects, Supplicant
from hardenprobe.model import Observation, State
from hardenprobe.testing import at, seen_device, snmp_answer


def objects(**changes: Any) -> Observation[Any]:
    return at(161, SnmpObjects(version="2c", label="public", origin="default", **changes), transport="udp")


@pytest.mark.parametrize(
    ("states", "up", "told"),
    [
        *(pytest.param([state], True, ["fail"], id=f"state {state}") for state in (1, 2, 7, 9, 10)),
        *(pytest.param([state], True, ["unknown"], id=f"state {state}") for state in (0, 3, 4, 6, 8, 11)),
        pytest.param([5], True, ["pass"], id="authenticated"),
        pytest.param([5, 7], True, ["pass", "fail"], id="one of two"),
        pytest.param([7], False, ["unknown"], id="the port is down"),
        pytest.param([], True, ["unknown"], id="no supplicant"),
    ],
)
def test_branch(states: list[int], up: bool, told: list[str]) -> None:
    facts = objects(
        interfaces=tuple(Interface(index=str(i), type=6, up=up) for i, _ in enumerate(states)),
        supplicants=tuple(Supplicant(interface=str(i), state=state) for i, state in enumerate(states)),
    )
    assert [o.word for o in CHECK.judge(seen_device(facts), NoSettings())] == told


def test_no_agent_is_not_applicable() -> None:
    (outcome,) = CHECK.judge(seen_device(snmp_answer(state=State.REFUSING)), NoSettings())
    assert outcome.word == "notapplicable"
