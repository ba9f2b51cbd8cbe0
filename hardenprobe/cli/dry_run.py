"""The plan as a change board reads and signs it."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.devices.credentials import Secrets
from hardenprobe.devices.inventory import Inventory
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model import Reach, Vantage
from hardenprobe.network.group import GroupLink
from hardenprobe.network.name_server import TRIES
from hardenprobe.planning.plan import Plan
from hardenprobe.plugins.registry import Registry
from hardenprobe.probes.files.ftp_anonymous import contact
from hardenprobe.reports.text import counted, ports_text, visible
from hardenprobe.scanning import group_round, name_server, other_addresses
from hardenprobe.scanning.job import ScanJob
from hardenprobe.scope.ports import MAY_SPEAK, NEVER_SPEAK
from hardenprobe.scope.scope import link_granted

WIDTH, INDENT = 120, 17  # columns


def text(job: ScanJob, rules: JudgingRules) -> str:
    """What would be sent, to whom, how far and at which cost at most, and who allows it."""
    plan = job.plan
    lines = [f"plan {plan.hash[:16]}  (SHA-256 {plan.hash})", ""]
    told = _told(plan, job.inventory, job.secrets)
    for title, said in (
        *_allowed(plan),
        *_asked(plan, rules.registry, job.inventory, elsewhere=job.elsewhere is not None),
        *_cost(plan, list(group_round.planned(plan, job.wanted))),
        *told,
        *_checks(plan, rules.registry),
    ):
        folded = textwrap.wrap(
            f"{title:<{INDENT}}{visible(said, 20000)}",
            WIDTH,
            subsequent_indent=" " * INDENT,
            break_long_words=False,
            break_on_hyphens=False,
        )
        lines += folded
    return "\n".join(lines)


def _allowed(plan: Plan) -> Iterator[tuple[str, str]]:
    scope = plan.scope
    yield "scope", f"{scope.name}, authorised by {scope.authorised_by}"
    if scope.file_hash:
        yield "scope file", f"SHA-256 {scope.file_hash}"
    yield "until", f"{scope.until}, the last day" if scope.until else "no end is named"
    yield "window", f"daily, {scope.window}" if scope.window else "any hour"
    yield "stop file", f"{scope.stop_file}: where it appears, the scan stops" if scope.stop_file else "none"
    if scope.clock_reference:
        yield (
            "clock",
            f"measured against time server {scope.clock_reference}, at most two NTP queries to 123/udp",
        )
    yield "contacts", "monitoring team: " + (", ".join(scope.contacts) or "none named")
    yield "", "abort: " + (", ".join(scope.abort) or "none named")
    for lease in scope.leased:
        what = ", ".join(lease.networks)
        yield "leased", f"{what} of {lease.owner}; agreed by {lease.agreed_by}"
    if scope.public:
        yield "public", f"{', '.join(scope.public.cover())}: public addresses, allowed by the scope"


def _asked(
    plan: Plan, registry: Registry, inventory: Inventory, *, elsewhere: bool
) -> Iterator[tuple[str, str]]:
    scope, ask = plan.scope, plan.reach.admits(Reach.ASK)
    ours = {port for probe in registry.probes_for(plan.checks) for port in probe.tcp_ports}
    spoken = tuple(p for p in plan.tcp_ports if p in MAY_SPEAK or p in ours)
    mute = tuple(p for p in plan.tcp_ports if p in NEVER_SPEAK)
    targets = ", ".join(f"{t.text} ({t.first})" if t.name else t.text for t in plan.targets)
    yield "targets", f"{targets}: {counted(plan.wanted.count, 'address', 'addresses')}"
    yield "excluded", ", ".join(scope.exclude.cover()) or "nothing"
    if plan.nobodys:
        yield (
            "skipped",
            f"{', '.join(plan.nobodys.cover())}: network and broadcast addresses of this machine's links",
        )
    others = "those that a device is known to have inside the networks are assessed with it"
    yield "other addresses", others if scope.other_addresses else "none"
    if names := {
        name
        for device in inventory.devices
        if any(address in plan.wanted for address in device.addresses)
        for name in other_addresses.listed_names(plan, device)
    }:
        yield (
            "name server",
            (
                f"{scope.name_server} is asked for the addresses of {counted(len(names), 'listed name')}: "
                f"at most {len(names) * len(name_server.KINDS) * TRIES} DNS queries to 53/udp"
            ),
        )
    yield "vantage points", "; ".join(map(_by_workers if elsewhere else _asked_from, plan.vantages))
    yield "test level", f"{plan.reach}; the scope authorises {scope.reach}"
    yield "grants", _grants(plan)
    shifted = f", each shifted by {plan.port_offset}" if plan.port_offset else ""
    yield "TCP ports", ports_text(plan.tcp_ports) + shifted
    for address, share in plan.shares.items():
        udp = f"; UDP ports {ports_text(share.udp_ports)}" if ask and share.udp_ports else ""
        yield "at", f"{address}: TCP ports {ports_text(share.tcp_ports)}{udp}"
    yield (
        "data sent to",
        f"{ports_text(spoken) if ask else 'none'}; every other port is opened, read and closed",
    )
    yield "no data to", ports_text(mute) if mute else "none of these ports"
    yield "UDP ports", ports_text(plan.udp_ports) if ask else "none"


def _by_workers(vantage: Vantage) -> str:
    """A vantage point of a cluster; from which address a worker asks is known when it has asked."""
    return f"{vantage.name} (workers of a cluster ask {', '.join(vantage.networks) or 'every target'} from there)"


def _asked_from(vantage: Vantage) -> str:
    """A vantage point with the addresses that will ask there, as far as they are known."""
    if vantage.source and set(vantage.sources) <= {vantage.source}:
        return f"{vantage.name} ({vantage.source})"
    return f"{vantage.name} ({', '.join(vantage.sources) or 'no route is known'}; the route to each target decides)"


def _grants(plan: Plan) -> str:
    """What of the scope's grants this plan may use."""
    beyond = plan.reach.admits(Reach.STRAIN)
    if plan.scope.grants is None:
        return "everything, since it is this machine" if beyond else "nothing is needed at this reach"
    grants = plan.scope.grants if beyond else filter(link_granted, plan.scope.grants)
    return ", ".join(sorted(grants)) or "nothing"


def _cost(plan: Plan, groups: list[tuple[GroupLink, int]]) -> Iterator[tuple[str, str]]:
    """Ceilings: Link enforces them, so that they hold whatever a device answers."""
    timing, visits = plan.timing, plan.visits
    asked = sum(datagrams for _, datagrams in groups)
    rounds = math.ceil(plan.wanted.count / timing.devices_at_once) * len(plan.vantages)
    yield (
        "at most",
        (
            f"{timing.connections:,} connections and {timing.datagrams:,} datagrams a device, "
            f"{timing.bytes_received:,} bytes from it, in {timing.seconds:g} seconds"
            + (
                f", from each of {len(plan.vantages)} vantage points: {timing.connections * len(plan.vantages):,} connections "
                f"and {timing.datagrams * len(plan.vantages):,} datagrams to one device"
                if len(plan.vantages) > 1
                else ""
            )
            + ";"
        ),
    )
    yield (
        "",
        (
            f"{timing.connections * visits:,} connections and {timing.datagrams * visits + asked:,} datagrams in all, "
            f"{timing.connections_per_second:g} connections and datagrams a second, {counted(timing.devices_at_once, 'device')} at once;"
        ),
    )
    for link, datagrams in groups:
        yield "", f"{datagrams} of these datagrams to multicast groups on {link.name}, from {link.source};"
    slowest = max(
        rounds * timing.seconds,
        (timing.connections + timing.datagrams) * visits / timing.connections_per_second,
    )
    yield "", f"{slowest / 3600:,.1f} hours, if every device used up its time and its limits"
    yield "gently", f"one connection at a time to a device, {timing.pause:g} seconds between two"


def _told(plan: Plan, inventory: Inventory, secrets: Secrets) -> Iterator[tuple[str, str]]:
    """Which secret goes where, and what the monitoring team will see of it."""
    if not plan.reach.admits(Reach.ASK):
        yield "secrets", "none"
        yield "alarms", "none: no request that could be refused"
    else:
        yield "secrets", _secrets(plan, inventory)
        yield (
            "",
            f"the published SNMP defaults {', '.join(map(repr, plan.communities))} are tried on every device",
        )
        # A question without a user in v3; each default and a random community in v1 and v2c; each sent again once.
        failures = 2 * (1 + 2 * (len(plan.communities) + 1))
        sign_ins = "one FTP sign-in that is not finished" + (
            " and one anonymous" if contact((*plan.scope.contacts, *plan.scope.abort)) else ""
        )
        yield (
            "alarms",
            (
                f"the monitoring team may see, for each device from each vantage point, {failures} SNMP authentication "
                f"failures and {sign_ins}; {failures * plan.wanted.count * len(plan.vantages):,} SNMP failures in all"
            ),
        )
        if secrets.users or secrets.communities:
            more = len(secrets.communities) * 4  # two versions, each sent again once
            yield (
                "",
                (
                    f"and one for each of {counted(len(secrets.users), 'user')} if a password is wrong, which stops that user "
                    f"for the whole fleet; {more} for each device that does not know the fleet's communities"
                ),
            )


def _checks(plan: Plan, registry: Registry) -> Iterator[tuple[str, str]]:
    """What is judged, by how far its questions go, and what the plan leaves unasked."""
    yield "checks", counted(len(plan.checks), "check")
    for origin in plan.plugged:
        yield "", f"third-party: {origin}"
    for broken in registry.broken:
        yield "", str(broken)
    asked: dict[str, list[str]] = {}
    for id in sorted(plan.checks):
        reach = registry.checks[id].reach
        how = "without probing" if reach is None else f"test level {reach}"
        if reach is not None and not plan.granted(id, reach):
            how = "not run, not granted at their test level"
        asked.setdefault(how, []).append(id)
    for how in sorted(asked):
        yield "", f"{how}: {', '.join(asked[how])}"


def _secrets(plan: Plan, inventory: Inventory) -> str:
    if not plan.secrets:
        return "none"
    asked = AddressSet.of(f"{target.first}-{target.last}" for target in plan.targets)
    wanted = {
        device.asset_tag
        for device in inventory.devices
        if device.serial or device.engine_id or device.pinned_key
        if any(address in asked for address in device.addresses)
    }
    to = ", ".join(sorted(wanted)) or "no device: the inventory identifies none of these targets"
    return (
        f"{', '.join(plan.secrets)}, to devices of the inventory that were identified without a secret: {to}"
    )
