"""hardenprobe.probes.tls.ports: the order of the TLS ports of a device, and the bound on what one may cost."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric import rsa
from support.tls_servers import issue, line_to, openssl_server

from hardenprobe.devices.inventory import Listed
from hardenprobe.facts import TcpPort, TlsPort, TlsSuites
from hardenprobe.model import Cost, Reach, State
from hardenprobe.network.budget import DeviceBudget
from hardenprobe.planning import plan, vantage
from hardenprobe.planning.plan import Plan
from hardenprobe.probes.base import PortGreeting, ProbeContext
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.probes.tls import classes
from hardenprobe.probes.tls.ports import PROBE, SUITES
from hardenprobe.probes.tls.walk import MOST
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.scope import Scope

pytestmark = [pytest.mark.slow, pytest.mark.peer]


def ask(
    ports: list[int],
    reach: Reach = Reach.ASK,
    *,
    fragile: bool = False,
    others: int = 0,
    spent: int = 0,
    most: int = 2000,
    **more: Any,
) -> ProbeContext:
    """Run the probe over TLS ports of 127.0.0.1, with more fields of a plan."""
    targets = plan.targets(["127.0.0.1"])
    scope = Scope.loopback()
    wanted = Plan(
        targets=targets,
        tcp_ports=tuple(ports),
        udp_ports=(),
        reach=reach,
        scope=scope,
        vantages=vantage.points((), (), targets, scope),
        checks=frozenset(),
        communities=(),
        http_paths=("/",),
        timing=Timing(),
        **more,
    )
    line = line_to(ports[0])
    line = replace(
        line,
        may_speak={port: frozenset({"tls"}) for port in ports},
        turn=DeviceBudget(waiting={"127.0.0.1", *(f"127.0.0.{2 + n}" for n in range(others))}),
        cost=Cost(connections=spent),
        timing=replace(line.timing, connections=most),
    )
    kinds: frozenset[type[Any]] = frozenset({TlsPort, TlsSuites})
    listed = Listed(asset_tag="device", addresses=("127.0.0.1",), kind="printer", fragile=fragile)
    asked = ProbeContext(line=line, plan=wanted, listed=listed, wanted=kinds, anchors=TrustAnchors())
    for port in ports:
        seen = line.observation(TcpPort(state=State.ACCEPTING), line.endpoint(port))
        asked.heard[port] = PortGreeting(seen, b"")

    async def run() -> None:
        for probe in (PROBE, SUITES):
            await probe.run(asked)

    asyncio.run(run())
    return asked


def test_versions_of_all_ports_come_before_suites_of_any(tmp_path: Path) -> None:
    credentials = issue(tmp_path, "device")
    with openssl_server(credentials, "-no_tls1_2") as one, openssl_server(credentials, "-no_tls1_2") as two:
        asked = ask([one, two])

    assert [type(o.facts) for o in asked.seen] == [TlsPort, TlsPort, TlsSuites, TlsSuites]


def test_a_port_with_very_many_suites_is_cut_short_and_says_so(tmp_path: Path) -> None:
    credentials = issue(tmp_path, "device", key=rsa.generate_private_key(65537, 2048))
    with openssl_server(credentials, "-min_protocol", "TLSv1", "-cipher", "ALL:@SECLEVEL=0") as port:
        short, whole = ask([port]), ask([port], Reach.STRAIN)

    cut, full = short.of(TlsSuites)[0].facts, whole.of(TlsSuites)[0].facts
    assert short.line.cost.connections <= MOST
    assert "ceiling" in cut.unknown_why.values()
    assert not full.unknown_why
    assert all(set(cut.suites[version]) <= set(full.suites[version]) for version in cut.suites)


@pytest.mark.parametrize("others", [0, 1])
def test_suites_leave_the_other_addresses_of_the_device_what_this_one_took(
    others: int, tmp_path: Path
) -> None:
    """One limit for both: whoever is first with its suites must not use up what the other needs to be assessed at all."""
    credentials = issue(tmp_path, "device", key=rsa.generate_private_key(65537, 2048))
    with openssl_server(credentials, "-min_protocol", "TLSv1", "-cipher", "ALL:@SECLEVEL=0") as port:
        asked = ask([port], others=others, spent=30, most=90)

    before = 30 + asked.of(TlsPort)[0].facts.connections
    assert "ceiling" in asked.of(TlsSuites)[0].facts.unknown_why.values()
    assert asked.line.cost.connections == 90 - others * before


def test_a_fragile_device_is_asked_for_classes_unless_the_baseline_says_otherwise(tmp_path: Path) -> None:
    credentials = issue(tmp_path, "device", key=rsa.generate_private_key(65537, 2048))
    with openssl_server(credentials, "-min_protocol", "TLSv1", "-cipher", "ALL:@SECLEVEL=0") as port:
        asked = [
            ask([port], fragile=True),
            ask([port], tls_suites="classes"),
            ask([port], fragile=True, tls_suites="complete"),
        ]

    by_classes = [bool(one.of(TlsSuites)[0].facts.classes) for one in asked]
    assert by_classes == [True, True, False]
    assert [one.line.cost.connections <= classes.MOST for one in asked] == by_classes
