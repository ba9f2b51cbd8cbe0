"""ipv6-exposure: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.ipv6_exposure import CHECK
from hardenprobe.facts import SnmpObjects
from hardenprobe.model import Observation, State
from hardenprobe.testing import at, seen_device, snmp_answer


def objects(**changes: Any) -> Observation[Any]:
    return at(161, SnmpObjects(version="2c", label="public", origin="default", **changes), transport="udp")


MADE = "2001:db8::34:56ff:fe78:90ab"  # RFC 4291 appendix A: the identifier of 02-34-56-78-90-AB is 34:56FF:FE78:90AB


@pytest.mark.parametrize(
    ("addresses", "forwarding", "told"),
    [
        pytest.param([MADE], None, ["fail hardware address"], id="from the hardware address"),
        pytest.param(["192.0.2.7", MADE], 1, ["fail hardware address", "fail forwarding"], id="both"),
        pytest.param(["192.0.2.7"], 1, ["fail forwarding"], id="forwarding"),
        pytest.param([], 1, ["fail forwarding"], id="forwarding, addresses not shown"),
        pytest.param(["2001:db8::fffe:7"], 2, ["pass -"], id="fffe elsewhere"),
        pytest.param(["fe80::34:56ff:fe78:90ab"], 2, ["pass -"], id="of the link alone"),
        pytest.param(["192.0.2.7"], 2, ["pass -"], id="IPv4 alone"),
        pytest.param(["2001:db8::7"], None, ["unknown -"], id="forwarding not shown"),
        pytest.param([], None, ["unknown -"], id="addresses not shown"),
        pytest.param(["192.0.2.7"], None, ["unknown -"], id="the table of RFC 1213, which holds IPv4 alone"),
    ],
)
def test_branch(addresses: list[str], forwarding: int | None, told: list[str]) -> None:
    seen = seen_device(objects(addresses=tuple(addresses), ipv6_forwarding=forwarding))
    assert [f"{o.word} {o.subject or '-'}" for o in CHECK.judge(seen, NoSettings())] == told


def test_rows_that_were_not_read_prove_nothing() -> None:
    facts = objects(
        addresses=("2001:db8::7",), ipv6_forwarding=2, fault="12 rows were read, and there may be more"
    )
    (outcome,) = CHECK.judge(seen_device(facts), NoSettings())
    assert outcome.word == "unknown"


def test_no_agent_is_not_applicable() -> None:
    (outcome,) = CHECK.judge(seen_device(snmp_answer(state=State.REFUSING)), NoSettings())
    assert outcome.word == "notapplicable"
