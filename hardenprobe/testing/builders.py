"""Builders of what checks read. Everything in them is invented."""

from __future__ import annotations

from typing import Any

from hardenprobe.checking.check import DeviceView
from hardenprobe.facts import SnmpAnswer, TcpPort
from hardenprobe.model import (
    UNPROVEN,
    Address,
    Clock,
    Device,
    Endpoint,
    Observation,
    State,
    Transport,
    Vantage,
)
from hardenprobe.model.transcript import observation

HOSTILE = (
    "<script>document.title='owned'</script>",
    "\x1b]0;owned\x07\x1b[31;5m\x9b2J",
    "invoice\u202egpj.exe\u2066\u200b",
    '=HYPERLINK("http://127.0.0.1/","open")',
    "\"' onmouseover=document.title='owned' x='",
    "{{ 7*7 }}{% raw %}[bold red]:warning:[/]",
    "@SUM(1)\r\n-1+1\t|calc",
    "</style></script><!--<img src=http://127.0.0.1/x onerror=document.title='owned'>",
)
"""Texts that a device may send in the hope that they are shown as they are."""

ASKED = "2026-03-02T21:00:{:02d}Z"


def at(
    port: int,
    facts: Any,
    *,
    transport: Transport = "tcp",
    protocol: str | None = None,
    path: str | None = None,
    address: str = "127.0.9.10",
    vantage: str = "office",
) -> Observation[Any]:
    """Make an observation at a port; its id is the digest of what it holds, as in a scan."""
    where = Endpoint(address=address, transport=transport, port=port, protocol=protocol, path=path)
    return observation(facts, where, vantage, ASKED.format(0))


def declared(facts: Any) -> Observation[Any]:
    """Make an observation of what the inventory declares."""
    return observation(facts, None, "inventory", ASKED.format(0))


def tcp_port(
    port: int, state: State = State.ACCEPTING, *, address: str = "127.0.9.10", **more: Any
) -> Observation[Any]:
    """Make the observation of a TCP port that was looked at.

    Args:
        more: Fields of `TcpPort`.
    """
    return at(port, TcpPort(state=state, **more), protocol=more.get("speaks"), address=address)


def snmp_answer(
    version: str = "2c",
    *,
    state: State = State.ACCEPTING,
    community: str = "public",
    origin: str = "default",
    address: str = "127.0.9.10",
    vantage: str = "office",
    **more: Any,
) -> Observation[Any]:
    """Make the observation of one SNMP question; an accepting one is answered unless `fault` says otherwise.

    Args:
        more: Fields of `SnmpAnswer`.
    """
    if state is State.ACCEPTING and "fault" not in more:
        more = {"error_status": 0, "values": {}, **more}
    facts = SnmpAnswer(version=version, label=community, origin=origin, state=state, **more)
    return at(161, facts, transport="udp", protocol="snmp", address=address, vantage=vantage)


def seen_device(
    *observations: Observation[Any],
    elsewhere: tuple[Observation[Any], ...] = (),
    source: str | None = "127.0.0.1",
    translated: bool | None = False,
    clock: Clock = UNPROVEN,
    device: Device | None = None,
) -> DeviceView:
    """Make what a judge sees of one device from the vantage point "office".

    Args:
        elsewhere: What other vantage points saw of it.
        source: Our own address at the vantage point.
        translated: Whether a translator may change it on the way.
    """
    addresses = dict.fromkeys(o.endpoint.address for o in observations if o.endpoint) or {"127.0.9.10": None}
    found = tuple(Address(address=a, family="ipv6" if ":" in a else "ipv4") for a in addresses)
    return DeviceView(
        device=device or Device(id="dev-0000000000000001", addresses=found),
        vantage=Vantage(name="office", source=source, on_link=True, translated=translated),
        observations=observations,
        elsewhere=elsewhere,
        clock=clock,
    )
