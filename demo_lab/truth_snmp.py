"""What SNMP agents of the lab give away beyond versions and communities, to a scan that goes far enough.

Like all of the truth, it is derived from the declarations; no socket is opened and no check is asked.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from hardenprobe.demo_lab.declarations import Virtual
from hardenprobe.demo_lab.service_snmp import Snmp

DEFAULTS = ("public", "private")
UDP = ("udp", 161)
NOT_AUTHENTICATED = (1, 2, 7, 9, 10)  # dot1xSuppPaeState
SKEW_S, QUARTER_S = 300, 900
LEVELS = ("noAuthNoPriv", "authNoPriv", "authPriv")

_Found = tuple[str, str | None, int | None, str | None]


def answered(agent: Snmp) -> tuple[str, ...]:
    """The default communities that versions 1 or 2c answer."""
    if not {"1", "2c"} & set(agent.versions):
        return ()
    return tuple(c for c in DEFAULTS if agent.any_community or c in agent.communities)


def of(device: Virtual, agent: Snmp) -> Iterator[_Found]:
    """What a scan of reach ask finds without a secret."""
    if not answered(agent) or agent.narrow_view or device.lab is None:
        return
    contact = device.listed.owner if agent.contact is None else agent.contact
    people = {"contact": contact, "operator": agent.operator, "job owner": "".join(agent.job_owners)}
    for what, text in people.items():
        if text and (what != "operator" or device.listed.kind != "scanner"):
            yield "snmp-personal-data", *UDP, what
    if agent.access != "hidden":
        yield "snmp-access-table-readable", *UDP, None
        if agent.access == "writes":
            yield "snmp-access-table-readable", *UDP, "write view"
        if agent.users:
            yield "snmp-access-table-readable", *UDP, "users"
    if {"1", "2c"} & set(agent.receivers.values()):
        yield "snmp-notifications-in-clear", *UDP, None
    if agent.supplicant in NOT_AUTHENTICATED and agent.interfaces[0]:
        yield "network-port-not-authenticated", *UDP, "interface 2"
    if any(agent.wireless) and any(agent.interfaces):
        yield "wireless-beside-wire", *UDP, None
        yield "device-bridges-networks", *UDP, "interfaces"
    if any(":" in a and "ff:fe" in a for a in agent.addresses):
        yield "ipv6-exposure", *UDP, "hardware address"
    if agent.forwards_6:
        yield "ipv6-exposure", *UDP, "forwarding"
    if agent.forwards:
        yield "device-bridges-networks", *UDP, "forwarding"
    if sum(agent.interfaces) > 1 and not any(agent.wireless):
        yield "device-bridges-networks", *UDP, "interfaces"
    wrong = device.lab.clock_ahead_s
    if not agent.states_zone:
        wrong -= round(wrong / QUARTER_S) * QUARTER_S
    if abs(wrong) > SKEW_S:
        yield "clock-skew", *UDP, "hrSystemDate"


def stray_channels(device: Virtual) -> tuple[int, ...]:
    """TCP ports that the print channels name, or that the device says it listens on for others, and that nothing listens at."""
    listens = {s.port for s in device.services if s.transport == "tcp"}
    return tuple(
        port
        for agent in device.services
        if isinstance(agent, Snmp) and answered(agent) and not agent.narrow_view
        for port in (*agent.channels, *agent.listens.get("0.0.0.0", ()))
        if port not in listens
    )


def strained(agent: Snmp) -> Iterator[_Found]:
    """What reach strain finds as well: an agent that follows ten repetitions outweighs the question by far."""
    if answered(agent) and "2c" in agent.versions and not agent.narrow_view and agent.most_repetitions >= 10:
        yield "snmp-amplification", *UDP, None


def altered(agent: Snmp) -> Iterator[_Found]:
    """What reach alter finds as well."""
    for community in answered(agent):
        if community in agent.write_communities and not agent.narrow_view:
            yield "snmp-default-community-write", *UDP, f'community "{community}"'
            return


def entrusted(
    device: Virtual,
    agent: Snmp,
    users: Sequence[tuple[str, str]],
    communities: Sequence[tuple[str, str]],
    engine: str,
) -> Iterator[_Found]:
    """What the fleet's own secrets find, on a device that was confirmed by its engine id.

    Args:
        users: Name and authentication algorithm of each.
        communities: Label and community of each.
        engine: Hex of the engine id that the device states.
    """
    if not device.listed.listed or device.listed.engine_id != engine or "3" not in agent.versions:
        return
    for name, algorithm in users:
        for user in agent.users:
            if (user.name, user.auth) != (name, algorithm):
                continue
            for level in LEVELS[LEVELS.index(user.lowest) : 2]:
                yield "snmp-v3-below-authpriv", *UDP, f'user "{name}" at {level}'
            if algorithm == "MD5":
                yield "snmp-v3-weak-algorithms", *UDP, f'user "{name}", {algorithm}'
    for label, community in communities:
        if community in agent.write_communities:
            yield "snmp-known-community-write", *UDP, f'community "{label}"'
