"""What a device says in datagrams: SNMP in clear, and what it announces or answers to discovery."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Any

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import LlmnrAnswer, MdnsAnswer, SnmpAnswer, SsdpAnswer, WsDiscoveryAnswer
from hardenprobe.listening.heard import Heard, Said, starred
from hardenprobe.model import State
from hardenprobe.probes import dns
from hardenprobe.probes.discovery import llmnr, mdns, ssdp, ws_discovery
from hardenprobe.probes.snmp import agent, response

TRIES = 4096  # datagrams of one service that are read in vain
RESPONSE = 0xA2  # RFC 1157 section 4.1.3
OTHER = "other"


class Datagrams:
    """Hears the datagrams that one address sends."""

    def __init__(self, heard: Heard) -> None:
        self._heard = heard
        self._vain: Counter[Any] = Counter()
        self._texts = 0

    def sent(self, port: int, target_port: int, data: bytes, seconds: float) -> None:
        """Take a datagram of the device.

        Args:
            port, target_port: As assigned.
        """
        read = _SERVICES.get(port) or _TO_GROUPS.get(target_port) or _by_content(data)
        if read is None or self._vain[read] >= TRIES:
            return
        try:
            read(self, data, seconds)
        except MalformedReply:
            self._vain[read] += 1

    def _snmp(self, data: bytes, seconds: float) -> None:
        version, community, tag, request_id = response.heading(data)
        known = community.decode("ascii", "replace")
        default = known in self._heard.terms.communities
        label = known if default else OTHER
        key = ("snmp", version, label)
        if tag != RESPONSE or self._heard.knows(key):
            return
        status, values = agent.decode_response(version, data, request_id)
        facts = SnmpAnswer(
            version=version,
            label=label,
            origin="default" if default else "heard",
            state=State.ACCEPTING,
            error_status=status,
            values={oid: text for oid, text in values.items() if oid in agent.IDENTITY},
        )
        where = self._heard.at(agent.PORT, "snmp", "udp")
        said: list[Said] = [(seconds, "received", starred(data), len(data))]
        self._heard.keep(key, self._heard.observe(facts, where, seconds, said))

    def _mdns(self, data: bytes, seconds: float) -> None:
        if len(data) > 2 and not data[2] & 0x80:
            return  # a question
        ident = int.from_bytes(data[:2], "big")
        records = dns.decode(data, ident)
        if not records:
            raise MalformedReply("DNS response without a record")
        said: list[Said] = [(seconds, "received", mdns.starred(data, ident), len(data))]
        self._announced(MdnsAnswer, mdns.PORT, "mdns", mdns.told(records), data, seconds, said)
        where = self._heard.at(mdns.PORT, "mdns", "udp")
        for record in records:
            key = ("text", record.name.lower()[:255])
            if (
                record.type == dns.TYPES["TXT"]
                and not self._heard.knows(key)
                and self._texts < mdns.MOST_TEXTS
            ):
                self._texts += 1
                facts = mdns.text_of(record)
                self._heard.keep(key, self._heard.observe(facts, where, seconds, said))

    def _llmnr(self, data: bytes, seconds: float) -> None:
        if self._heard.knows("llmnr"):
            return
        says = llmnr.told(data, int.from_bytes(data[:2], "big"))
        self._announced(LlmnrAnswer, llmnr.PORT, "llmnr", says, data, seconds)

    def _ssdp(self, data: bytes, seconds: float) -> None:
        if self._heard.knows("ssdp"):
            return
        fields = ssdp.decode_notify(data) if data.startswith(b"NOTIFY") else ssdp.decode_response(data)
        self._announced(SsdpAnswer, ssdp.PORT, "ssdp", ssdp.words(fields), data, seconds)

    def _ws_discovery(self, data: bytes, seconds: float) -> None:
        if self._heard.knows("ws-discovery"):
            return
        says = ", ".join(ws_discovery.decode_announcement(data)) or "no type"
        self._announced(WsDiscoveryAnswer, ws_discovery.PORT, "ws-discovery", says, data, seconds)

    def _announced(
        self,
        make: type[Any],
        port: int,
        protocol: str,
        says: str,
        data: bytes,
        seconds: float,
        said: list[Said] | None = None,
    ) -> None:
        if self._heard.knows(protocol):
            return
        facts = make(
            question="heard in captured traffic",
            state=State.ACCEPTING,
            says=says,
            received=len(data),
            group=True,
        )
        where = self._heard.at(port, protocol, "udp")
        kept: list[Said] = said or [(seconds, "received", data, len(data))]
        self._heard.keep(protocol, self._heard.observe(facts, where, seconds, kept))


def _by_content(data: bytes) -> _Reader | None:
    """Who answers a search from a port of the moment, which these protocols allow."""
    if data.startswith((b"HTTP/1.1 200", b"HTTP/1.0 200")):
        return Datagrams._ssdp
    if data[:1] == b"<" and b"ProbeMatches" in data:
        return Datagrams._ws_discovery
    return None


_Reader = Callable[[Datagrams, bytes, float], None]
_SERVICES: dict[int, _Reader] = {
    agent.PORT: Datagrams._snmp,
    mdns.PORT: Datagrams._mdns,
    llmnr.PORT: Datagrams._llmnr,
    ssdp.PORT: Datagrams._ssdp,
    ws_discovery.PORT: Datagrams._ws_discovery,
}
# Announcements go to these ports, from any port.
_TO_GROUPS: dict[int, _Reader] = {port: _SERVICES[port] for port in (ssdp.PORT, ws_discovery.PORT)}
