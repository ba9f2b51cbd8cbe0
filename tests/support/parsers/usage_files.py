"""Readers of the files that tell of use: captures, and flow records."""

from __future__ import annotations

import io
from contextlib import suppress

from hardenprobe.errors import FileInvalid
from hardenprobe.usage import flow_table
from hardenprobe.usage.conversations import Conversation, Conversations
from hardenprobe.usage.files import Input
from hardenprobe.usage.ipfix import FlowFile
from hardenprobe.usage.packet_file import PacketFile
from support.captures import Shot, pcap, pcapng
from support.parsers.registry import parser
from support.print_jobs import flows, jobs


def _tagged() -> list[Shot]:
    """The same packets behind tags, in fragments, and over other links."""
    packets = [shot.data[14:] for shot in jobs()]
    ethernet = [Shot(bytes(12) + b"\x88\xa8\0\x07\x81\0\0\x08\x08\0" + packet) for packet in packets]
    pieces = [
        Shot(bytes(12) + b"\x08\0" + packets[0][:6] + place + packets[0][8:])
        for place in (b"\x20\0", b"\0\x08")
    ]
    return [*ethernet, *pieces, *(Shot(bytes(14) + b"\x08\0" + packet, link=113) for packet in packets)]


@parser(
    "capture-file",
    seeds=lambda: (pcap(jobs()), pcapng(jobs(), dropped=1), pcap(_tagged()), pcapng(_tagged(), ">")),
)
def _capture(data: bytes) -> None:
    found: list[Conversation] = []
    table = Conversations(found.append, most=20)
    with suppress(FileInvalid):
        table.read(PacketFile(Input(io.BytesIO(data), "capture")).packets())
    table.finish()
    assert len(found) <= table.packets <= len(data)


@parser("ipfix-file", seeds=lambda: (flows(), flows() * 2))
def _ipfix(data: bytes) -> None:
    found: list[Conversation] = []
    table = Conversations(found.append, most=20)
    with suppress(FileInvalid):
        for record in FlowFile(Input(io.BytesIO(data), "flows")).records():
            table.record(record)
    table.finish()
    assert len(found) <= len(data)


@parser(
    "flow-table",
    seeds=lambda: (
        b"client,device,transport,port,first,last\n192.0.2.40,192.0.2.7,tcp,515,2026-11-24T08:00:00Z,2026-11-24T09:00:00Z\n",
    ),
)
def _table(data: bytes) -> None:
    if flow_table.is_table(data):
        with suppress(FileInvalid):
            assert len(list(flow_table.read(Input(io.BytesIO(data), "flows")))) <= len(data)
