"""The whole path against the lab: what the scan finds is what the devices are guilty of, no more and no less."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from hardenprobe import baseline, inventory, plan, registry, review, scope, vantage
from hardenprobe.demo_lab.process import INVENTORY, running_lab
from hardenprobe.demo_lab.truth import Guilt, expected_findings
from hardenprobe.facts_tls import TlsPort
from hardenprobe.probes.certificates import TrustAnchors
from hardenprobe.records import Reach, Word

APPROVED = ["127.77.1.0/24", "127.77.2.0/28"]
CONTACT = "Network team <network@port.example>"  # given to FTP servers as the password of anonymous
MOST_CONNECTIONS = 120  # to any one device; its ports are looked at one by one


@pytest.mark.slow
@pytest.mark.timeout(180)
@pytest.mark.parametrize("source", ["127.0.0.1", "127.77.1.10"])
def test_findings_equal_the_declared_truth(source: str) -> None:
    checks = registry.load(plugins=False)
    expected = baseline.load("office-device", checks)
    allowed = replace(scope.Scope.loopback(), contacts=(CONTACT,))
    targets = plan.targets(["127.77.0.0/24"])
    # An offset of its own, so that it may run beside the demo, which takes the standard ports.
    with running_lab(port_offset=42000) as lab:
        order = review.Order(
            plan=plan.Plan(
                targets=targets,
                tcp_ports=expected.tcp_ports,
                udp_ports=expected.udp_ports,
                reach=Reach.ASK,
                scope=allowed,
                vantages=vantage.points([source], (), targets, allowed),
                checks=checks.select(),
                communities=expected.communities,
                http_paths=expected.http_paths,
                web=expected.web,
                timing=expected.timing,
                port_offset=lab.port_offset,
            ),
            baseline=expected,
            registry=checks,
            inventory=inventory.load(INVENTORY),
            anchors=TrustAnchors.load([lab.ca_file], system=False),
        )
        found = asyncio.run(review.scan(order))
        counters = lab.counters()

    labels = {d.id: d.asset_tag or d.addresses[0].address for d in found.devices}
    truth = expected_findings(INVENTORY, source, APPROVED)
    judged = {guilt.check for guilt in truth}
    seen = set()
    for r in found.findings:
        where = r.endpoint
        seen.add(Guilt(labels[r.device], r.check, where and where.transport, where and where.port, r.subject))
    assert {guilt for guilt in seen if guilt.check in judged} == truth
    assert not [r for r in found.results if r.result is Word.ERROR]
    reached = {
        o.facts.reached for seen in found.observations.values() for o in seen if isinstance(o.facts, TlsPort)
    }
    assert reached >= {"implicit", "ftp"}  # AUTH TLS is followed too
    assert set(counters["raw_print_bytes"].values()) == {0}
    assert max(counters["connections"].values()) <= MOST_CONNECTIONS
    assert {m.asset_tag for m in found.coverage.listed_not_seen} == {
        d.asset_tag for d in inventory.load(INVENTORY).devices if d.lab is None
    }
