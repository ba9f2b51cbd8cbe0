"""Conversations of TCP and UDP, counted from the headers of packets or from flow records. No payload is looked at.

A TCP conversation begins with a first segment that carries SYN and a new sequence number (RFC 9293 section 3.4), or with
whatever was seen of it first; a UDP conversation is what passes between two pairs of address and port. Fragments count
where their first one belongs (RFC 791 section 3.2, RFC 8200 section 4.5). Bytes are those on the wire, link header included.

Memory is bounded whatever the packets say: so many conversations at once and so many datagrams in fragments; what goes
beyond is ended early, oldest first, and counted.
"""

from __future__ import annotations

import struct
from collections import OrderedDict
from collections.abc import Callable, Container, Iterable
from dataclasses import dataclass
from typing import Literal, NamedTuple

from hardenprobe.network.capture import frames
from hardenprobe.network.capture.frames import SYN, TCP, UDP, Frame
from hardenprobe.scope.ports import MAY_SPEAK, NEVER_SPEAK
from hardenprobe.usage.ipfix import FlowRecord
from hardenprobe.usage.link_layer import ETHERNET, KNOWN, network_at
from hardenprobe.usage.packet_file import Packet

MOST = 100_000  # conversations at once; each takes some 700 bytes
FRAGMENTED = 4096  # datagrams in fragments at once
IDLE = 300.0  # seconds without a flow record after which the same ports are another conversation; common practice
REASSEMBLY = 60.0  # seconds that a datagram's fragments arrive in (RFC 8200 section 4.5)
ONE = 1 << 64  # a packet, in a sum of packets and bytes; more bytes than any capture has
_MOST_OCTETS = 1 << 48  # of one flow record; a hostile one claims more
_ACK, _RST = 0x10, 0x04
_PORTS = struct.Struct("!HH").pack
_TFTP = (69).to_bytes(2, "big")
_SERVICES = frozenset(MAY_SPEAK) | NEVER_SPEAK | {23, 69, 123, 137, 161, 427, 513, 514, 1900, 3702, 5353}


class Conversation(NamedTuple):
    """What passed between a client and a server, the way it was seen.

    Attributes:
        client, server: Packed addresses.
        first, last: Seconds since 1970.
        packets_sent, bytes_sent: By the client.
        packets_received, bytes_received: By the client, of the server.
        used: Something was said: the server answered a datagram, or data flowed over a connection. A connection that was
            refused, not answered, or only opened and closed, is none.
    """

    transport: Literal["tcp", "udp"]
    client: bytes
    client_port: int
    server: bytes
    server_port: int
    first: float
    last: float
    packets_sent: int
    bytes_sent: int
    packets_received: int
    bytes_received: int
    used: bool


class _Way:
    """What one side of a conversation sent.

    Attributes:
        size: Its bytes, and `ONE` for each packet: one sum is half the time of two, for every packet there is.
        first: The sequence number before its first octet of data, None before its first segment.
        sequence: Of its last segment, as it was sent; empty where the capture cut it off.
        spoke: A flow record says that it sent data.
    """

    __slots__ = ("first", "flow", "last", "sequence", "size", "spoke")

    def __init__(self, flow: _Flow | None, began: float) -> None:
        self.flow = flow
        self.size = 0
        self.last = began
        self.first: int | None = None
        self.sequence = b""
        self.spoke = False

    @property
    def packets(self) -> int:
        return self.size >> 64

    @property
    def bytes(self) -> int:
        return self.size & ONE - 1

    @property
    def carried(self) -> bool:
        """It sent data over a connection."""
        if self.first is None or len(self.sequence) < 4:
            return self.spoke
        # SYN and FIN take a number each (RFC 9293 section 3.4), so that two are no data yet.
        return 2 < (int.from_bytes(self.sequence, "big") - self.first) % (1 << 32) < 1 << 31


class _Flow:
    """A conversation in flight; its two ways are kept under a key each once they were seen."""

    __slots__ = ("answered", "began", "client", "protocol", "received", "refused", "sent", "server")

    def __init__(self, protocol: int, client: bytes, server: bytes, began: float) -> None:
        self.protocol, self.client, self.server, self.began = protocol, client, server, began
        self.sent, self.received = _Way(self, began), _Way(self, began)
        self.refused = False
        self.answered = False  # from another port of the server

    @property
    def last(self) -> float:
        return max(self.sent.last, self.received.last)


@dataclass(slots=True)
class _Datagram:
    """A datagram that comes in fragments.

    Attributes:
        way: Whose it is, None before the first fragment was seen.
        packets, bytes: What came before that one.
    """

    began: float
    way: _Way | None = None
    packets: int = 0
    bytes: int = 0


class Conversations:
    """Conversations as packets make them.

    Attributes:
        packets: How many were read.
        earliest, latest: When the first and the last of them passed, by the clock of the capture; None before any.
        steps: How often that clock went back by more than a second.
        other: Packets that belong to no service of interest, or are neither TCP nor UDP.
        cut: Conversations that were ended early, since too many were open at once; they may count twice.
        met: Which of the servers' addresses anything was seen of, at either end.
        unread: Packets of link types that are not read, by link type.
        orphans: Fragments of datagrams whose first fragment was not seen.

    Args:
        ended: Gets each conversation, when it is over.
        servers: Addresses, packed, whose services are of interest; None for all.
        most: Conversations at once.
    """

    def __init__(
        self,
        ended: Callable[[Conversation], None],
        servers: Container[bytes] | None = None,
        most: int = MOST,
    ) -> None:
        self.packets = self.steps = self.other = self.cut = self.orphans = 0
        self.unread: dict[int, int] = {}
        self.met: set[bytes] = set()
        self.earliest: float | None = None
        self.latest: float | None = None
        self._ended = ended
        self._servers = servers
        self._most = most
        # By source, target, source port and target port as they stand in a packet.
        self._ways: dict[int, dict[bytes, _Way]] = {TCP: {}, UDP: {}}
        self._datagrams: OrderedDict[bytes, _Datagram] = OrderedDict()
        self._ignored = _Way(
            None, 0.0
        )  # of no interest; one for all, so that no conversation is held for them

    def read(self, packets: Iterable[Packet]) -> None:
        """Count packets. The way most of them take, Ethernet with a tag at most and IP without extensions, is kept short."""
        # EtherType, version and length of the IP header; fragment; protocol; addresses and ports; sequence; flags
        header = struct.Struct("!12xI4xHxB2x12s4s5xB").unpack_from
        header6 = struct.Struct("!12xH6xBx36s4s5xB").unpack_from
        tcp, udp = self._ways[TCP].get, self._ways[UDP].get
        count, newest, sequence = 0, float("-inf"), b""
        for seconds, length, link, data, start, end in packets:
            count += 1
            if seconds > newest:
                newest = seconds
            elif newest - seconds > 1:
                self.steps += 1
                self._seen(newest)
                self._seen(seconds)
                newest = seconds
            if end - start > 47 and link == ETHERNET:
                way = None
                first = data[start + 12]  # octet of the EtherType
                if first == 0x81 and end - start > 51 and not data[start + 13]:
                    start += 4  # without its tag it is as any other
                    first = data[start + 12]
                if first == 0x08:
                    kind, fragment, protocol, key, sequence, flags = header(data, start)
                    if kind >> 8 == 0x080045 and not fragment & 0x3FFF:
                        if protocol == TCP:
                            way = None if flags & SYN else tcp(key)
                        elif protocol == UDP:
                            way = udp(key)
                elif first == 0x86 and end - start > 67:
                    kind, protocol, key, sequence, flags = header6(data, start)
                    if kind == 0x86DD:
                        if protocol == TCP:
                            way = None if flags & SYN else tcp(key)
                        elif protocol == UDP:
                            way = udp(key)
                if way is not None:
                    way.size += ONE + length
                    way.last = seconds
                    way.sequence = sequence
                    continue
            self._packet(seconds, length, link, data, start, end)
        self.packets += count
        if count:
            self._seen(newest)

    def record(self, record: FlowRecord) -> None:
        """Count a flow record. The two ways of a conversation may come as records of their own, and in several each."""
        self.packets += record.packets
        if record.protocol not in (TCP, UDP):
            self.other += record.packets
            return
        if self.earliest is None or record.first < self.earliest:
            self.earliest = record.first
        if self.latest is None or record.last > self.latest:
            self.latest = record.last
        ports = _PORTS(record.source_port, record.target_port)
        ways, key = self._ways[record.protocol], record.source + record.target + ports
        way = ways.get(key)
        if way is not None and way.flow is not None and record.first - way.flow.last > IDLE:
            self._end((way.flow,))
            way = None
        if way is not None and way.flow is None:
            way.size += ONE * record.packets  # of no interest
            return
        source, target = record.source + ports[:2], record.target + ports[2:]
        if way is None:
            # Exporters put either side first where they do not say who began.
            flags = {1: SYN, 2: SYN | _ACK}.get(record.direction, 0)
            way = self._other_way(ways, source, target) or self._begin(
                record.protocol, source, target, flags, record.first
            )
            ways[key] = way
        _report(way, record, record.octets, record.packets)
        if way.flow is not None and record.octets_back is not None and record.packets_back is not None:
            back = way.flow.received if way is way.flow.sent else way.flow.sent
            ways.setdefault(_key(target, source), back)
            _report(back, record, record.octets_back, record.packets_back)

    def finish(self) -> None:
        """End every conversation; nothing more will come."""
        for ways in self._ways.values():
            self._end(dict.fromkeys(way.flow for way in ways.values() if way.flow))
            ways.clear()
        self.orphans += sum(one.packets for one in self._datagrams.values() if one.way is None)
        self._datagrams.clear()
        self.other += self._ignored.packets
        self._ignored.size = 0

    def _seen(self, seconds: float) -> None:
        self.earliest = seconds if self.earliest is None else min(self.earliest, seconds)
        self.latest = seconds if self.latest is None else max(self.latest, seconds)

    def _packet(self, seconds: float, length: int, link: int, data: bytes, start: int, end: int) -> None:
        """Count a packet of any shape."""
        if self.earliest is None:
            self._seen(seconds)
        at = network_at(link, data, start, end)
        ip = frames.network(data, at, end) if at is not None else None
        if ip is None or not (ip.offset or ip.protocol in (TCP, UDP)):
            self.other += 1
            if link not in KNOWN:
                self.unread[link] = self.unread.get(link, 0) + 1
        elif ip.offset:
            self._later_fragment(ip, seconds, length)
        elif ip.end - ip.start < 4:
            self.other += 1
        else:
            way = self._way(ip, data, seconds)
            _add(way, seconds, length)
            if ip.more:
                self._first_fragment(ip, way, seconds)

    def _way(self, ip: Frame, data: bytes, seconds: float) -> _Way:
        """To which side of which conversation a packet belongs; begins one where it is the first."""
        ways = self._ways[ip.protocol]
        at = ip.start
        source, target = ip.source + data[at : at + 2], ip.target + data[at + 2 : at + 4]
        flags = data[at + 13] if ip.protocol == TCP and ip.end - at > 13 else 0
        sequence = data[at + 4 : at + 8] if ip.protocol == TCP and ip.end - at > 7 else b""
        key = ip.source + ip.target + data[at : at + 4]
        way = ways.get(key)
        if way is not None and way.flow is None:
            return way  # of no interest
        number = int.from_bytes(sequence, "big")
        if way is not None and flags & (SYN | _ACK) == SYN and way.packets and way.first != number:
            self._end((way.flow,))  # the ports are used again
            way = None
        if way is None:
            way = self._other_way(ways, source, target) or self._begin(
                ip.protocol, source, target, flags, seconds
            )
            ways[key] = way
        if way.flow is not None and not way.packets and ip.protocol == TCP:
            way.first = number if flags & SYN else (number - 1) % (1 << 32)
            way.flow.refused |= way is way.flow.received and bool(flags & _RST)
        way.sequence = sequence or way.sequence
        return way

    def _other_way(self, ways: dict[bytes, _Way], source: bytes, target: bytes) -> _Way | None:
        """The side of a conversation of which only the other one was seen."""
        back = ways.get(_key(target, source))
        if back is None or back.flow is None:
            return back
        return back.flow.received if back is back.flow.sent else back.flow.sent

    def _begin(self, protocol: int, source: bytes, target: bytes, flags: int, seconds: float) -> _Way:
        if len(self._ways[protocol]) >= 2 * self._most:
            self._make_room(protocol)
        # A TFTP server answers from another port (RFC 1350 section 4).
        if (
            protocol == UDP
            and (asked := self._ways[UDP].get(_key(target, source[:-2] + _TFTP)))
            and asked.flow
        ):
            asked.flow.answered = True
        asks = _is_client(protocol, source, target, flags)
        client, server = (source, target) if asks else (target, source)
        if self._servers is not None:
            self.met.update(end[:-2] for end in (source, target) if end[:-2] in self._servers)
            if server[:-2] not in self._servers:
                return self._ignored
        flow = _Flow(protocol, client, server, seconds)
        return flow.sent if asks else flow.received

    def _make_room(self, protocol: int) -> None:
        """Forget what is of no interest, and end the older half of the conversations where that is not enough."""
        ways = self._ways[protocol]
        for key in [key for key, way in ways.items() if way is self._ignored]:
            del ways[key]
        if len(ways) >= self._most:
            flows = list(dict.fromkeys(way.flow for way in ways.values() if way.flow))
            flows.sort(key=lambda flow: flow.last)
            half = flows[: (len(flows) + 1) // 2]
            self.cut += len(half)
            self._end(half)

    def _end(self, flows: Iterable[_Flow | None]) -> None:
        for flow in flows:
            if flow is None:
                continue
            ways = self._ways[flow.protocol]
            ways.pop(_key(flow.client, flow.server), None)
            ways.pop(_key(flow.server, flow.client), None)
            self._ended(_conversation(flow))

    def _first_fragment(self, ip: Frame, way: _Way, seconds: float) -> None:
        known = self._datagram(ip, seconds)
        known.way = way
        _add(way, seconds, known.bytes, known.packets)
        known.packets = known.bytes = 0

    def _later_fragment(self, ip: Frame, seconds: float, length: int) -> None:
        known = self._datagram(ip, seconds)
        if known.way is not None:
            _add(known.way, seconds, length)
        else:
            known.packets += 1
            known.bytes += length

    def _datagram(self, ip: Frame, seconds: float) -> _Datagram:
        # IPv6 numbers them for each pair of addresses, and a later fragment need not name the transport.
        protocol = bytes([ip.protocol]) if len(ip.source) == 4 else b""
        ident = ip.source + ip.target + protocol + ip.ident.to_bytes(4, "big")
        known = self._datagrams.get(ident)
        if known is None or abs(seconds - known.began) > REASSEMBLY:
            known = self._datagrams.pop(ident, None)
            if known is None and len(self._datagrams) >= FRAGMENTED:
                _, known = self._datagrams.popitem(last=False)
            self.orphans += known.packets if known else 0
            known = self._datagrams[ident] = _Datagram(seconds)
        return known


def _add(way: _Way, seconds: float, length: int, packets: int = 1) -> None:
    way.size += ONE * packets + length
    way.last = seconds


def _report(way: _Way, record: FlowRecord, octets: int, packets: int) -> None:
    """Add what a flow record says. It keeps no sequence numbers: more than headers, or more packets than an empty connection
    takes, is data.
    """
    way.size += ONE * packets + min(octets, _MOST_OCTETS)
    way.last = max(way.last, record.last)
    headers = 60 if len(record.source) == 4 else 80  # of IP and TCP, with the options of a handshake
    way.spoke |= octets > headers * packets or packets > 8
    if way.flow is not None:
        way.flow.began = min(way.flow.began, record.first)


def _key(source: bytes, target: bytes) -> bytes:
    return source[:-2] + target[:-2] + source[-2:] + target[-2:]


def _is_client(protocol: int, source: bytes, target: bytes, flags: int) -> bool:
    """Whether the sender of the first packet that was seen asks, and the other side serves."""
    if flags & SYN:
        return not flags & _ACK
    sender, receiver = (int.from_bytes(end[-2:], "big") for end in (source, target))
    if (sender in _SERVICES) != (receiver in _SERVICES):
        return receiver in _SERVICES
    return protocol == UDP or sender >= receiver


def _conversation(flow: _Flow) -> Conversation:
    sent, received = flow.sent, flow.received
    times = (flow.began, sent.last, received.last)
    if flow.protocol == UDP:
        used = bool(sent.packets and (received.packets or flow.answered))
    else:
        used = not flow.refused and (sent.carried or received.carried)
    return Conversation(
        transport="tcp" if flow.protocol == TCP else "udp",
        client=flow.client[:-2],
        client_port=int.from_bytes(flow.client[-2:], "big"),
        server=flow.server[:-2],
        server_port=int.from_bytes(flow.server[-2:], "big"),
        first=min(times),
        last=max(times),
        packets_sent=sent.packets,
        bytes_sent=sent.bytes,
        packets_received=received.packets,
        bytes_received=received.bytes,
        used=used,
    )
