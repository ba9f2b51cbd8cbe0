"""Reads a source of use, whatever its form, into who used which service of which device."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable, Collection, Iterable
from datetime import UTC, datetime
from ipaddress import ip_address, ip_network
from pathlib import Path
from typing import Any, Literal

from hardenprobe.errors import FileInvalid, UsageError
from hardenprobe.model import Transport
from hardenprobe.model.usage import UsageSource, Use, expiry
from hardenprobe.usage import files, flow_table
from hardenprobe.usage.conversations import Conversation, Conversations
from hardenprobe.usage.files import PIECE, Input
from hardenprobe.usage.ipfix import VERSION, FlowFile
from hardenprobe.usage.packet_file import PacketFile

MOST = 100_000  # clients of services that one source may add
_LARGEST = (1 << 63) - 1  # that a database keeps
_NETWORK6 = 64  # bits of an IPv6 network, RFC 4291 section 2.5.1

Naming = Callable[[str], str]
"""How a client is kept: its address to what stands for it."""


def network_of(bits: int) -> Naming:
    """Keep the network of a client instead of its address; of IPv6 the /64, whatever is asked for IPv4.

    >>> network_of(24)("192.0.2.40"), network_of(24)("2001:db8::40")
    ('192.0.2.0/24', '2001:db8::/64')
    """
    if not 8 <= bits <= 32:
        raise UsageError(f"--by-network is {bits}, expected 8 to 32 bits of an IPv4 network")
    return lambda client: str(ip_network((client, _NETWORK6 if ":" in client else bits), strict=False))


class _Uses:
    """What is counted of a source."""

    def __init__(self, servers: Collection[bytes], named: Naming, scanners: Collection[bytes]) -> None:
        self.servers = servers
        self.named = named
        self.scanners = scanners
        self.scanned = 0
        self.rows: dict[tuple[str, bytes, Transport, int], list[Any]] = {}
        self.left_out = self.empty = 0
        self._names: dict[bytes, str] = {}

    def take(self, one: Conversation) -> None:
        if not one.used:
            self.empty += 1
            return
        self.add(
            one.client, one.server, one.transport, one.server_port, one.first, one.last, 1, one.bytes_sent,
            one.bytes_received,
        )  # fmt: skip

    def add(
        self, client: bytes, device: bytes, transport: Transport, port: int, first: float, last: float,
        conversations: int, sent: int, received: int,
    ) -> None:  # fmt: skip
        if device not in self.servers:
            return
        if client in self.scanners:
            self.scanned += conversations
            return
        name = self._names.get(client)
        if name is None:
            if len(self._names) > MOST:
                self._names.clear()
            name = self._names[client] = self.named(str(ip_address(client)))
        row = self.rows.get((name, device, transport, port))
        if row is None:
            if len(self.rows) >= MOST:
                self.left_out += conversations
                return
            row = self.rows[name, device, transport, port] = [first, last, 0, 0, 0]
        row[0], row[1] = min(row[0], first), max(row[1], last)
        row[2] += conversations
        row[3] += sent
        row[4] += received


def collect(
    path: Path,
    place: str,
    servers: Collection[str],
    named: Naming = str,
    kept_as: Literal["addresses", "pseudonyms", "networks"] = "addresses",
    kept_days: int | None = None,
    scanners: Collection[str] = (),
) -> tuple[UsageSource, tuple[Use, ...]]:
    """Read a capture (pcap, pcapng), an IPFIX file or a CSV file; gzip is seen through.

    Args:
        place: Where it was seen, in people's words.
        servers: Addresses of the devices; nothing of any other service is kept.
        named: How a client is kept.
        kept_as: What that makes of it.
        kept_days: Days after its end that it is used; for ever by default.
        scanners: Our own addresses, whose conversations are left out; where clients are kept by address, a report does that.

    Raises:
        FileInvalid: It cannot be read, is none of these, or holds nothing that could cover a period.
    """
    uses = _Uses(_packed(servers), named, _packed(scanners))
    with files.opened(path) as file:
        begin = file.begins(512)
        if begin[:2] == VERSION.to_bytes(2, "big"):
            kind, facts = "flow-records", _flow_records(file, uses)
        elif flow_table.is_table(begin):
            kind, facts = "flow-records", _table(file, uses)
        else:
            kind, facts = "capture", _capture(file, uses)
    if facts["first"] is None:
        raise FileInvalid(str(path), None, "holds no packet or record with a time, so it covers no period")
    notices = facts.pop("notices")
    if uses.empty:
        notices.append(
            f"{uses.empty} conversations were refused, not answered or stayed empty, and are no use"
        )
    if uses.scanned:
        notices.append(f"{uses.scanned} conversations of scans of this store are left out")
    if uses.left_out:
        notices.append(f"{uses.left_out} conversations are left out: more than {MOST} clients of services")
    id = f"u-{secrets.token_hex(4)}"
    last = _moment(facts.pop("last"), path)
    source = UsageSource(
        id=id,
        kind="capture" if kind == "capture" else "flow-records",
        name=path.name,
        sha256=_digest(path),
        place=place,
        first=_moment(facts.pop("first"), path),
        last=last,
        clients=kept_as,
        expires=None if kept_days is None else expiry(last, kept_days),
        notices=tuple(notices),
        **facts,
    )
    return source, tuple(
        Use(
            source=id,
            client=client,
            address=str(ip_address(device)),
            transport=transport,
            port=port,
            first=_moment(row[0], path),
            last=_moment(row[1], path),
            conversations=min(row[2], _LARGEST),
            bytes_sent=min(row[3], _LARGEST),
            bytes_received=min(row[4], _LARGEST),
        )
        for (client, device, transport, port), row in uses.rows.items()
    )


def _capture(file: Input, uses: _Uses) -> dict[str, Any]:
    packets = PacketFile(file)
    table = Conversations(uses.take, uses.servers)
    table.read(packets.packets())
    table.finish()
    notices = [f"{n} packets have link type {link}, which is not read" for link, n in table.unread.items()]
    if packets.untimed:
        notices.append(f"{packets.untimed} packets have no time of their own")
    return {**_facts(table, notices, packets.fault), "lost": packets.dropped}


def _flow_records(file: Input, uses: _Uses) -> dict[str, Any]:
    flows = FlowFile(file)
    table = Conversations(uses.take, uses.servers)
    for record in flows.records():
        table.record(record)
    table.finish()
    notices = []
    if flows.lost:
        notices.append(f"{flows.lost} flow records are missing, by their sequence numbers")
    if flows.untold:
        notices.append(f"{flows.untold} flow records have no addresses, ports or times, and are left out")
    if flows.unknown:
        notices.append(f"{flows.unknown} sets of records came without their template, and are left out")
    return {**_facts(table, notices, flows.fault), "sampled": flows.sampled}


def _facts(table: Conversations, notices: list[str], fault: str | None) -> dict[str, Any]:
    """What a table says of its source, after which of its packets or records were left out."""
    cut_short = [f"not all of the file was read: {fault}"] if fault else []
    return {
        "first": table.earliest,
        "last": table.latest,
        "packets": table.packets,
        "devices": _texts(table.met),
        "notices": [*_notices(table), *notices, *cut_short],
    }


def _table(file: Input, uses: _Uses) -> dict[str, Any]:
    first = last = None
    for line in flow_table.read(file):
        first = line.first if first is None else min(first, line.first)
        last = line.last if last is None else max(last, line.last)
        uses.add(*line)
    met = {device for _, device, _, _ in uses.rows}
    return {"first": first, "last": last, "packets": 0, "devices": _texts(met), "notices": []}


def _packed(addresses: Iterable[str]) -> frozenset[bytes]:
    return frozenset(ip_address(one.partition("%")[0]).packed for one in addresses)


def _texts(addresses: Iterable[bytes]) -> tuple[str, ...]:
    return tuple(sorted(str(ip_address(one)) for one in addresses))


def _notices(table: Conversations) -> list[str]:
    said = []
    if table.cut:
        said.append(
            f"{table.cut} conversations were ended early, since too many were open at once; they may count twice"
        )
    if table.orphans:
        said.append(f"{table.orphans} fragments belong to no datagram whose beginning was seen")
    if table.steps:
        said.append(f"the clock of the capture went back {table.steps} times")
    return said


def _moment(seconds: float, path: Path) -> str:
    try:
        return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    except (ValueError, OverflowError, OSError):
        raise FileInvalid(str(path), None, f"holds a time that no clock has: {seconds:g} seconds") from None


def _digest(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(PIECE):
            digest.update(piece)
    return digest.hexdigest()
