"""The least that must be probed to determine whether findings are still open: which addresses, which ports, which kinds of facts.

At every address of a finding's device: the port of the finding and those of its proof; of a finding about the device as a
whole, every port that its check reads. Beside these only what makes the answer worth something: a port by which the
device is known again and proven alive, and SNMP, since what a device prints is read before anything is said to it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from ipaddress import ip_address
from typing import Any, cast

from hardenprobe.devices import matching, self_description
from hardenprobe.devices.inventory import AllowList, Criticality, Inventory, Kind, Listed
from hardenprobe.errors import UsageError, clip
from hardenprobe.facts import DeclaredAllowList, DeclaredDevice, TcpPort
from hardenprobe.model import Device, Endpoint, Observation, Reach, Rechecked, Review, State
from hardenprobe.planning.recheck_plan import Place, RecheckRecord
from hardenprobe.plugins.registry import Registry
from hardenprobe.recheck.selection import FindingSelection, Subject
from hardenprobe.scope.ports import FIRST_PORTS, NEVER_SPEAK

SNMP = ("udp", 161)
Port = tuple[str, int]


def again(
    picked: FindingSelection, registry: Registry, reach: Reach, inventory: Inventory | None = None
) -> RecheckRecord:
    """What a recheck asks, and what of the earlier review it rests on.

    Args:
        reach: How far it goes.
        inventory: Where devices are by now; None leaves them where the review met them.

    Raises:
        UsageError: A check is not at hand.
    """
    review = picked.review
    for finding in picked.findings:
        if finding.check not in registry.checks:
            raise UsageError(
                f"check {clip(finding.check)} of finding {finding.finding} is not at hand; it came from {clip(finding.origin)}: "
                "install that, or name its folder with --checks-from"
            )
    findings = {
        (one.finding, one.device): Rechecked(finding=one.finding, device=one.device, check=one.check)
        for one in picked.findings
    }
    kept = [_listed(subject) for subject in picked.subjects if subject.device.asset_tag]
    declared = [o.facts for s in picked.subjects for o in s.observations]
    lists = [facts for facts in declared if isinstance(facts, DeclaredAllowList)]
    return RecheckRecord(
        review=review.head.id,
        findings=tuple(findings.values()),
        places=tuple(
            place
            for subject in picked.subjects
            for place in _places(subject, review, registry, reach, addresses_of(subject.device, inventory))
        ),
        scope=review.head.scope,
        authorisation=review.head.authorisation,
        rules=review.head.baselines,
        listed=tuple(kept),
        approved=lists[0].approved if lists else (),
        source=next((facts.source for facts in declared if isinstance(facts, DeclaredDevice)), ""),
    )


def addresses_of(device: Device, inventory: Inventory | None) -> tuple[str, ...]:
    """Where a device is asked again: where the inventory has it by now, else where it was met."""
    entry = entry_of(device, inventory)
    texts = entry.addresses if entry else [one.address for one in device.addresses]
    return tuple(dict.fromkeys(str(ip_address(text)) for text in texts))


def entry_of(device: Device, inventory: Inventory | None) -> Listed | None:
    """The entry of a device: by serial first, since tags are moved to replacements, else by tag."""
    if inventory is None:
        return None
    serials = [i.value for i in device.identity if i.kind == "serial"]
    found = next((inventory.by_serial[one] for one in serials if one in inventory.by_serial), None)
    return found or next((one for one in inventory.devices if one.asset_tag == device.asset_tag), None)


def _places(
    subject: Subject, review: Review, registry: Registry, reach: Reach, addresses: Iterable[str]
) -> Iterator[Place]:
    checks = [registry.checks[name] for name in dict.fromkeys(one.check for one in subject.findings)]
    checks += [registry.checks[name] for name in subject.compared]
    # What the scope grants by name is seen to when it runs.
    may = [check for check in checks if check.reach is None or reach.admits(check.reach)]
    kinds = {facts.kind for check in may for facts in check.reads}
    ports = set(_proof(subject, registry))
    for port, kind in _telling(subject, ports):
        ports.add(port)
        kinds.add(kind)
    answered = _alive(subject)
    if not answered:  # it was never met: whether it is there is what is asked
        ports |= {("tcp", port) for port in FIRST_PORTS if port in review.coverage.tcp_ports}
    elif not ports.difference(_finding_ports(subject)).intersection(answered):
        ports |= set(_spare(answered, ports))
    ports |= {SNMP} if SNMP[1] in review.coverage.udp_ports else set()
    for address in addresses:
        yield Place(
            address=address,
            tcp_ports=_in_order((port for kind, port in ports if kind == "tcp"), review.coverage.tcp_ports),
            udp_ports=tuple(sorted(port for kind, port in ports if kind == "udp")),
            kinds=tuple(sorted(kinds)),
            device=subject.device.id,
            marks=matching.marks(subject.device.identity),
            formerly=subject.device.formerly,
            multihomed=subject.device.multihomed,
        )


def _proof(subject: Subject, registry: Registry) -> Iterator[Port]:
    """The ports that findings rest on."""
    by_id = {seen.id: seen for seen in subject.observations}
    for finding in subject.findings:
        yield from _port(finding.endpoint)
        for one in finding.observations:
            yield from _port(by_id[one].endpoint if one in by_id else None)
        if finding.endpoint is None:
            reads = {facts.kind for facts in registry.checks[finding.check].reads}
            for seen in subject.observations:
                if seen.kind in reads and not _control(seen):
                    # What prints is heard and never spoken to: it tells nothing of the device as a whole.
                    yield from (port for port in _port(seen.endpoint) if port[1] not in NEVER_SPEAK)
    for name in subject.compared:
        shared = {kind for one in registry.checks[name].compares for kind in one.kinds}
        for seen in subject.observations:
            if seen.kind in shared:
                yield from _port(seen.endpoint)


def _telling(subject: Subject, asked: set[Port]) -> Iterator[tuple[Port, str]]:
    """Where the device showed what tells it again, and by which kind of facts: the most telling, and two elsewhere.

    What a finding is fixed by may take one away, and so may another fix since: SNMP that is switched off, say.
    """
    found: list[tuple[int, bool, Port, str]] = []
    fixed = _finding_ports(subject)
    for seen in subject.observations:
        for mark in matching.marks(self_description.identities((seen,))):
            for port in _port(seen.endpoint):
                found.append((matching.KEPT.index(mark[0]), port not in asked, port, seen.kind))
    found.sort()
    kinds = {port: kind for *_, port, kind in reversed(found)}  # of each port the most telling
    ports = list(dict.fromkeys(port for *_, port, _ in found))
    elsewhere = [port for port in ports if port not in fixed]
    for port in dict.fromkeys((*ports[:1], *elsewhere[:2])):
        yield port, kinds[port]


def _finding_ports(subject: Subject) -> set[Port]:
    return {port for finding in subject.findings for port in _port(finding.endpoint)}


def _alive(subject: Subject) -> list[Port]:
    """Ports that accepted, or answered a datagram."""
    return [
        port
        for seen in subject.observations
        if getattr(seen.facts, "state", None) is State.ACCEPTING and not _control(seen)
        for port in _port(seen.endpoint)
    ]


def _spare(answered: Iterable[Port], asked: set[Port]) -> list[Port]:
    """One more port that accepted, so that silence differs from absence; none that prints."""
    return sorted(p for p in answered if p[0] == "tcp" and p[1] not in NEVER_SPEAK and p not in asked)[:1]


def _port(endpoint: Endpoint | None) -> list[Port]:
    return [(endpoint.transport, endpoint.port)] if endpoint else []


def _control(seen: Observation[Any]) -> bool:
    return isinstance(seen.facts, TcpPort) and seen.facts.control


def _in_order(ports: Iterable[int], order: tuple[int, ...]) -> tuple[int, ...]:
    """The order in which a scan looks at ports, those that it did not look at last."""
    known = {port: at for at, port in enumerate(order)}
    return tuple(sorted(ports, key=lambda port: (known.get(port, len(order)), port)))


def _listed(subject: Subject) -> Listed:
    """A device's entry of the inventory, as far as the review kept it: without ports that are declared for it."""
    device = subject.device
    said = {i.kind: i.value for i in device.identity if i.source == "inventory"}
    declared = next((o.facts for o in subject.observations if isinstance(o.facts, DeclaredDevice)), None)
    lists = [o.facts for o in subject.observations if isinstance(o.facts, DeclaredAllowList)]
    return Listed(
        asset_tag=device.asset_tag or "",
        addresses=tuple(one.address for one in device.addresses),
        kind=cast("Kind", declared.device_kind) if declared else "unknown",
        names=declared.names if declared else (),
        make_model=said.get("make-model"),
        serial=said.get("serial"),
        place=device.place,
        owner=device.owner,
        criticality=cast("Criticality | None", device.criticality),
        ccss=device.ccss,
        tags=device.tags,
        fragile=bool(declared and declared.fragile),
        pinned_key=declared.pinned_key if declared else None,
        allow_lists=tuple(
            AllowList(services=one.services, entries=one.entries, copied=one.copied) for one in lists
        ),
    )
