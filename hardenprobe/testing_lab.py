"""A whole scan of the demo lab, and what it found in the words of the lab's truth."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from hardenprobe import baseline, inventory, plan, registry, review, scope, vantage
from hardenprobe.demo_lab.process import RunningLab
from hardenprobe.demo_lab.truth import Guilt
from hardenprobe.probes.certificates import TrustAnchors
from hardenprobe.records import Reach, Review

CONTACT = "Network team <network@port.example>"  # given to FTP servers as the password of anonymous


def order(lab: RunningLab, targets: Iterable[str], source: str = "127.0.0.1", **changes: Any) -> review.Order:
    """A scan of a running lab as the shipped baseline wants it, at reach ask.

    Args:
        changes: Fields of the plan that are to be otherwise.
    """
    checks = registry.load(plugins=False)
    expected = baseline.load("office-device", checks)
    allowed = replace(scope.Scope.loopback(), contacts=(CONTACT,))
    found = plan.targets(targets)
    planned = plan.Plan(
        targets=found,
        tcp_ports=expected.tcp_ports,
        udp_ports=expected.udp_ports,
        reach=Reach.ASK,
        scope=allowed,
        vantages=vantage.points([source], (), found, allowed),
        checks=checks.select(),
        communities=expected.communities,
        http_paths=expected.http_paths,
        web=expected.web,
        timing=expected.timing,
        port_offset=lab.port_offset,
    )
    return review.Order(
        plan=replace(planned, **changes),
        baseline=expected,
        registry=checks,
        inventory=inventory.load(lab.inventory),
        anchors=TrustAnchors.load([lab.ca_file], system=False),
    )


def guilts(found: Review) -> set[Guilt]:
    """The findings of a review, to be held against the truth."""
    labels = {d.id: d.asset_tag or d.addresses[0].address for d in found.devices}
    return {
        Guilt(
            labels[r.device],
            r.check,
            r.endpoint.transport if r.endpoint else None,
            r.endpoint.port if r.endpoint else None,
            r.subject,
        )
        for r in found.findings
    }
