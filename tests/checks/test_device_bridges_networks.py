"""device-bridges-networks: each branch of its judge."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.device_bridges_networks import CHECK
from hardenprobe.facts import Interface, SnmpObjects, Subnet
from hardenprobe.model import Observation, State, Word
from hardenprobe.testing import at, seen_device, snmp_answer


def objects(*, origin: str = "default", **more: Any) -> Observation[Any]:
    facts = SnmpObjects(version="2c", label="public", origin=origin, **more)
    return at(161, facts, transport="udp", protocol="snmp")


def interface(kind: int = 6, up: bool = True, index: str = "1") -> Interface:
    return Interface(index=index, type=kind, up=up)


WIRED, SECOND, TUNNEL = interface(), interface(71, index="2"), interface(131, index="3")
ONE = Subnet(interface="1", network="192.0.2.0/24")
OTHER = Subnet(interface="2", network="198.51.100.0/24")


@pytest.mark.parametrize(
    ("observations", "told"),
    [
        pytest.param(
            [objects(interfaces=(WIRED, SECOND), subnets=(ONE, OTHER), forwarding=2)],
            [(Word.FAIL, "interfaces")],
            id="two hold addresses in different subnets",
        ),
        pytest.param(
            [objects(interfaces=(WIRED, SECOND), subnets=(ONE, replace(OTHER, network="2001:db8:1::/64")))],
            [(Word.FAIL, "interfaces")],
            id="of two families",
        ),
        pytest.param(
            [objects(interfaces=(WIRED, SECOND), subnets=(ONE, replace(OTHER, network="192.0.2.0/25")))],
            [(Word.PASS, None)],
            id="two in one subnet",
        ),
        pytest.param(
            [objects(interfaces=(WIRED, SECOND), subnets=(ONE,), forwarding=2)],
            [(Word.PASS, None)],
            id="the second holds no address",
        ),
        pytest.param(
            [objects(interfaces=(WIRED, replace(SECOND, up=False)), subnets=(ONE, OTHER), forwarding=2)],
            [(Word.PASS, None)],
            id="the second is down",
        ),
        pytest.param(
            [objects(interfaces=(WIRED, TUNNEL, interface(53, index="4")), subnets=(ONE,), forwarding=2)],
            [(Word.PASS, None)],
            id="tunnel and internal rows hold no address of their own",
        ),
        pytest.param(
            [
                objects(
                    interfaces=(WIRED, TUNNEL, interface(53, index="2")),
                    subnets=(ONE, OTHER, Subnet(interface="3", network="2001:db8:9::/64")),
                    forwarding=2,
                )
            ],
            [(Word.PASS, None)],
            id="tunnel and internal rows with addresses of their own",
        ),
        pytest.param(
            [objects(interfaces=(WIRED, TUNNEL), forwarding=2)], [(Word.PASS, None)], id="a tunnel is no leg"
        ),
        pytest.param(
            [objects(interfaces=(WIRED, SECOND), forwarding=2)],
            [(Word.UNKNOWN, None)],
            id="two up, and the addresses are out of view",
        ),
        pytest.param(
            [
                objects(
                    interfaces=(WIRED, interface(24, index="9")),
                    subnets=(ONE, Subnet(interface="9", network="127.0.0.0/8")),
                    forwarding=2,
                )
            ],
            [(Word.PASS, None)],
            id="loopback is none",
        ),
        pytest.param(
            [
                objects(
                    interfaces=(WIRED, SECOND),
                    subnets=(
                        ONE,
                        Subnet(interface="1", network="fe80::/64"),
                        Subnet(interface="2", network="fe80::/64"),
                        Subnet(interface="2", network="169.254.0.0/16"),
                    ),
                )
            ],
            [(Word.PASS, None)],
            id="every link has its link-local subnet",
        ),
        pytest.param(
            [objects(interfaces=(WIRED,), forwarding=1)], [(Word.FAIL, "forwarding")], id="it forwards"
        ),
        pytest.param(
            [objects(interfaces=(WIRED, SECOND), subnets=(ONE, OTHER), forwarding=1)],
            [(Word.FAIL, "forwarding"), (Word.FAIL, "interfaces")],
            id="both",
        ),
        pytest.param(
            [objects(origin="supplied", forwarding=1)], [(Word.FAIL, "forwarding")], id="own community"
        ),
        pytest.param(
            [objects(forwarding=2)], [(Word.UNKNOWN, None)], id="forwarding off, the table out of view"
        ),
        pytest.param(
            [objects(interfaces=(WIRED,), forwarding=2, fault="the agent fell silent")],
            [(Word.UNKNOWN, None)],
            id="read in part",
        ),
        pytest.param([objects(), snmp_answer()], [(Word.UNKNOWN, None)], id="not in the view"),
        pytest.param([snmp_answer(state=State.REFUSING)], [(Word.NOTAPPLICABLE, None)], id="no agent"),
        pytest.param([], [(Word.UNKNOWN, None)], id="nothing was asked"),
    ],
)
def test_branch(observations: list[Observation[Any]], told: list[tuple[Word, str | None]]) -> None:
    assert [(o.word, o.subject) for o in CHECK.judge(seen_device(*observations), NoSettings())] == told
