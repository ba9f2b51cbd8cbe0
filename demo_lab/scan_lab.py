"""A whole scan of the demo lab, and what it found in the words of the lab's truth."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from hardenprobe.baseline import baseline
from hardenprobe.checking.check import Check
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.decisions.statements import Statement
from hardenprobe.demo_lab.declarations import Virtual, load
from hardenprobe.demo_lab.process import BASELINE, RunningLab
from hardenprobe.demo_lab.truth import Guilt
from hardenprobe.devices import inventory
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model import Reach, Review
from hardenprobe.planning import plan, vantage
from hardenprobe.plugins import registry
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.scanning.job import ScanJob
from hardenprobe.scope import scope

__all__ = ["BOTH_FAMILIES", "CONTACT", "FAR", "guilts", "missing_devices", "order", "statements_of", "words"]

# What only a scan beyond reach ask shows, with secrets, or with a policy of segments; tests/demo_lab/test_reach.py does it.
FAR = frozenset(
    {
        "segment-reach",
        "snmp-amplification",
        "snmp-default-community-write",
        "snmp-known-community-write",
        "snmp-v3-below-authpriv",
        "snmp-v3-weak-algorithms",
        "tls-early-ccs",
        "tls-heartbleed",
        "tls-rsa-padding-oracle",
    }
)
BOTH_FAMILIES = frozenset({"allow-list-ipv6-bypass"})  # wants IPv6, which has one loopback address
CONTACT = "Network team <network@port.example>"  # given to FTP servers as the password of anonymous


def order(
    lab: RunningLab, targets: Iterable[str], source: str = "127.0.0.1", **changes: Any
) -> tuple[ScanJob, JudgingRules]:
    """A scan of a running lab as the lab's baseline wants it, at reach ask.

    Args:
        changes: Fields of the plan that are to be otherwise.
    """
    checks = registry.load(plugins=False)
    expected = baseline.load(str(BASELINE), checks)
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
    job = ScanJob.of(
        replace(planned, **changes),
        checks,
        inventory=inventory.load(lab.inventory),
        anchors=TrustAnchors.load([lab.ca_file], system=False),
    )
    decisions = Decisions(statements=statements_of(load(lab.inventory)))
    return job, JudgingRules(baseline=expected, registry=checks, decisions=decisions)


def statements_of(devices: Iterable[Virtual]) -> tuple[Statement, ...]:
    """What people state of devices of the lab."""
    return tuple(
        Statement(
            control=control,
            device=device.listed.asset_tag,
            tag=None,
            answer=answer,
            words=None,
            by="Device owner",
            made="2026-01-02",
            until="2999-12-31",
            method="interview",
        )
        for device in devices
        for control, answer in (device.lab.states.items() if device.lab else ())
    )


def words(reviews: Iterable[Review]) -> dict[str, dict[str, set[str]]]:
    """Check id to result to the devices that came to it in any of some reviews."""
    found: dict[str, dict[str, set[str]]] = {}
    for one in reviews:
        labels = {d.id: d.asset_tag or d.addresses[0].address for d in one.devices}
        for r in one.results:
            found.setdefault(r.check, {}).setdefault(str(r.result), set()).add(labels[r.device])
    return found


def missing_devices(check: Check[Any], said: dict[str, set[str]], devices: Iterable[Virtual]) -> list[str]:
    """What a check lacks of a device that fails, another that passes, and a third that misleads a hasty look.

    Args:
        said: Of this check, from `words`.
        devices: Those that were scanned; the traps are what their declarations say.
    """
    traps = {}
    for device in devices:
        label = device.listed.asset_tag if device.listed.listed else device.listed.addresses[0]
        for trap in device.lab.traps if device.lab else ():
            if trap.check == check.id:
                traps[label] = trap
    lacks = [
        f"{label} is a trap for {check.id} and must say {trap.says}: {trap.because}"
        for label, trap in traps.items()
        if label not in said.get(trap.says, ())
    ]
    never_fails = check.sections["Fails when"].startswith("Never")
    never_passes = check.sections["Passes when"].startswith("Never")
    failing = said.get("informational" if never_fails else "fail", set())
    plainly = failing - traps.keys()
    # A pass beside a fail of the same device is no device that passes.
    sound = said.get("pass", set()) - failing - traps.keys()
    if never_passes:
        sound = said.get("informational", set()) - failing
    for kind, have in (("fails", plainly), ("passes", sound), ("is a trap", traps)):
        if not have:
            lacks.append(f"no device of the lab {kind} for {check.id}")
    return lacks


def guilts(found: Review, *only: str) -> set[Guilt]:
    """The findings of a review in the words of the lab's truth.

    Args:
        only: Of these checks.
    """
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
        if not only or r.check in only
    }
