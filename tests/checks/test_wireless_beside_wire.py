"""wireless-beside-wire: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.wireless_beside_wire import CHECK
from hardenprobe.facts import Interface, SnmpObjects
from hardenprobe.model import Observation, State
from hardenprobe.testing import at, seen_device, snmp_answer


def objects(**changes: Any) -> Observation[Any]:
    return at(161, SnmpObjects(version="2c", label="public", origin="default", **changes), transport="udp")


@pytest.mark.parametrize(
    ("interfaces", "fault", "word"),
    [
        pytest.param([(6, True), (71, True)], None, "fail", id="both up"),
        pytest.param([(6, True), (71, True)], "fell silent", "fail", id="both up, the rest unread"),
        pytest.param([(6, True), (71, False)], None, "pass", id="wireless down"),
        pytest.param([(6, True), (24, True)], None, "pass", id="none"),
        pytest.param([(117, True), (71, True)], None, "fail", id="gigabitEthernet, which RFC 3635 replaced"),
        pytest.param([(62, True), (71, True)], None, "fail", id="fastEther, which RFC 3635 replaced"),
        pytest.param([(6, True), (6, True)], None, "unknown", id="a radio that is reported as Ethernet"),
        pytest.param([(6, False), (71, True)], None, "informational", id="wireless alone"),
        pytest.param([(6, True)], "fell silent", "unknown", id="not all read"),
        pytest.param([], None, "unknown", id="not shown"),
    ],
)
def test_branch(interfaces: list[tuple[int, bool]], fault: str | None, word: str) -> None:
    rows = tuple(Interface(index=str(i), type=kind, up=up) for i, (kind, up) in enumerate(interfaces))
    (outcome,) = CHECK.judge(seen_device(objects(interfaces=rows, fault=fault)), NoSettings())
    assert outcome.word == word


def test_no_agent_is_not_applicable() -> None:
    (outcome,) = CHECK.judge(seen_device(snmp_answer(state=State.REFUSING)), NoSettings())
    assert outcome.word == "notapplicable"
