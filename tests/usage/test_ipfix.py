"""IPFIX files: messages as RFC 7011 lays them out, and what a real exporter wrote."""

from __future__ import annotations

import io
import os
import shutil
import socket
import struct
import subprocess
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.captures import Shot, pcap
from support.print_jobs import CLIENT, DEVICE, MS, PLAIN, a_set, flow, flows, jobs, message, template

from hardenprobe.errors import FileInvalid
from hardenprobe.usage import files
from hardenprobe.usage.conversations import Conversation, Conversations
from hardenprobe.usage.ipfix import FlowFile, FlowRecord


def read(data: bytes) -> tuple[list[FlowRecord], FlowFile]:
    file = FlowFile(files.Input(io.BytesIO(data), "flows"))
    return list(file.records()), file


def test_a_record_is_read_by_its_template() -> None:
    (record,), file = read(message(template(*PLAIN), a_set(256, flow())))

    assert record == FlowRecord(CLIENT, DEVICE, 40001, 515, 6, 1.8e9, 1.8e9 + 2.5, 5000, 10)
    assert (file.fault, file.lost) == (None, 0)


def test_plain_records_are_read_at_once_as_others_are_one_by_one() -> None:
    """An element of the same name under another enterprise makes no difference; a port of four octets is not plain."""
    odd = (*PLAIN[:2], (7, 4), (11, 4), *PLAIN[4:])
    wide = flow()[:8] + struct.pack("!II", 40001, 515) + flow()[12:]
    plain, _ = read(message(template(*PLAIN, (8, 4, 9)), a_set(256, (flow() + b"\0\1\2\3") * 3 + b"\0\0")))
    slow, _ = read(message(template(*odd), a_set(256, wide * 3)))

    assert plain == slow and len(plain) == 3
    (backwards,), _ = read(message(template(*PLAIN[:5], PLAIN[6], PLAIN[5], *PLAIN[7:]), a_set(256, flow())))
    assert (backwards.first, backwards.last) == (1.8e9, 1.8e9 + 2.5)


def test_a_template_holds_in_later_messages_of_its_domain_alone_until_it_is_withdrawn() -> None:
    data, gone = a_set(256, flow()), a_set(2, struct.pack("!HH", 256, 0))
    records, file = read(
        message(template(*PLAIN))
        + message(data)
        + message(data, domain=2)
        + message(gone, sequence=1)
        + message(data, sequence=1)
    )

    assert (len(records), file.unknown) == (1, 2)


def test_a_gap_in_the_sequence_is_records_lost() -> None:
    one = a_set(256, flow())
    _, file = read(message(template(*PLAIN), one) + message(one, sequence=8) + message(one, sequence=9))

    assert file.lost == 7


def test_fields_of_their_own_length_and_of_others_are_passed_over() -> None:
    """RFC 7011 section 7, both forms."""
    fields = ((82, 0xFFFF), *PLAIN, (5, 3, 9), (83, 0xFFFF))
    body = b"\x03eth" + flow() + b"abc" + b"\xff\x00\x04text"
    records, file = read(message(template(*fields), a_set(256, body * 2 + b"\0\0")))

    assert [record.target_port for record in records] == [515, 515]
    assert file.fault is None


@pytest.mark.parametrize("direction", [0, 1, 2])
def test_both_ways_of_a_record_count_and_who_began_is_believed_where_it_is_said(direction: int) -> None:
    """RFC 5103 section 6.1: the elements of the way back have the enterprise number 29305; section 6.3: who began."""
    fields = (*PLAIN, (1, 8, 29305), (2, 4, 29305), (239, 1))
    ends = DEVICE + CLIENT + struct.pack("!HHBQQQI", 515, 40001, 6, MS, MS + 9, 900, 5)
    body = ends + struct.pack("!QIB", 700, 4, direction)

    (found,) = conversations(read(message(template(*fields), a_set(256, body)))[0])

    device_began = direction == 1  # whatever the ports say
    assert (found.client, found.server_port) == ((DEVICE, 40001) if device_began else (CLIENT, 515))
    device, client = (900, 5), (700, 4)
    assert (found.bytes_sent, found.packets_sent) == (device if device_began else client)
    assert (found.bytes_received, found.packets_received) == (client if device_began else device)


@pytest.mark.parametrize(
    ("fields", "body"),
    [
        (((150, 4), (151, 4)), struct.pack("!II", 1_800_000_000, 1_800_000_002)),
        (((154, 8), (155, 8)), struct.pack("!IIII", 4_008_988_800, 0, 4_008_988_802, 0)),
        (((158, 4), (159, 4)), struct.pack("!II", 2_000_000, 0)),
        (((22, 4), (21, 4), (160, 8)), struct.pack("!IIQ", 1000, 3000, MS - 1000)),
        (((152, 8), (161, 4)), struct.pack("!QI", MS, 2000)),
    ],
    ids=["seconds", "NTP timestamps", "before export", "since the exporter started", "start and duration"],
)
def test_every_way_to_say_when(fields: Any, body: bytes) -> None:
    rest = ((8, 4), (12, 4), (7, 2), (11, 2), (4, 1))
    ends = CLIENT + DEVICE + struct.pack("!HHB", 40001, 515, 6)
    exported = 1_800_000_002 if fields[0][0] == 158 else 1_800_000_000

    (record,), _ = read(message(template(*rest, *fields), a_set(256, ends + body), exported=exported))

    assert (record.first, record.last) == (1.8e9, 1.8e9 + 2)


def test_records_of_one_conversation_are_one_and_after_a_pause_another() -> None:
    later = [flow(start=MS + n) for n in (0, 60_000, 120_000, 3_600_000)]

    found = conversations(read(message(template(*PLAIN), a_set(256, b"".join(later))))[0])

    assert sorted(one.packets_sent for one in found) == [10, 30]
    assert all(one.used for one in found)


@pytest.mark.parametrize(
    "data",
    [b"", b"\0\x09" + bytes(40), b"\0\x0a\0\x03" + bytes(20), b"\0\x0a"],
    ids=["empty", "version 9", "short", "half"],
)
def test_what_is_no_such_file_is_refused_or_empty(data: bytes) -> None:
    if data:
        with pytest.raises(FileInvalid, match="no IPFIX file"):
            read(data)
    else:
        assert read(data)[0] == []


def test_a_file_that_breaks_off_keeps_what_came_before() -> None:
    whole = message(template(*PLAIN), a_set(256, flow()))
    records, file = read(whole + whole[:-5])

    assert len(records) == 1
    assert "ends inside of message 2" in (file.fault or "")


SEED = flows()


@given(st.binary(max_size=200), st.integers(0, len(SEED)), st.integers(0, len(SEED)))
def test_no_bytes_raise_anything_else(noise: bytes, at: int, to: int) -> None:
    try:
        records, _ = read(SEED + SEED[: min(at, to)] + noise + SEED[max(at, to) :])
    except FileInvalid:
        return
    assert len(records) <= len(SEED) * 2 + len(noise)


def conversations(records: list[FlowRecord]) -> list[Conversation]:
    found: list[Conversation] = []
    table = Conversations(found.append)
    for record in records:
        table.record(record)
    table.finish()
    return found


# ---- a real exporter


@pytest.mark.slow
@pytest.mark.peer
@pytest.mark.parametrize(
    "options",
    [(), ("-b",), ("-A", "milli"), ("-A", "nano")],
    ids=["since start", "both ways", "milliseconds", "nanoseconds"],
)
def test_what_softflowd_exports_of_a_capture_is_what_the_capture_shows(
    options: tuple[str, ...], tmp_path: Path
) -> None:
    exporter = shutil.which("softflowd", path=os.environ.get("PATH", "") + ":/usr/sbin")
    if exporter is None:
        pytest.fail("needs the Debian package softflowd") if os.environ.get("CI") else pytest.skip(
            "needs softflowd"
        )
    shots = jobs()
    (capture := tmp_path / "jobs.pcap").write_bytes(pcap(shots))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as collector:
        collector.bind(("127.0.0.1", 0))
        collector.settimeout(2)
        run = subprocess.run(
            [exporter, "-d", "-a", "-r", capture, "-v", "10", *options, "-n", f"127.0.0.1:{collector.getsockname()[1]}",
             "-c", "none", "-p", tmp_path / "pid"],
            check=False, capture_output=True, timeout=5,
        )  # fmt: skip
        assert run.returncode == 0, run.stderr
        collector.setblocking(False)
        data = b""
        try:
            while True:
                data += collector.recv(65535)
        except BlockingIOError:
            pass
    (file := tmp_path / "flows.ipfix").write_bytes(data)
    agrees(file, shots)


def test_what_pmacctd_exported_of_a_capture_is_what_the_capture_shows() -> None:
    """Its messages, as it sent them: Debian's pmacct 1.7.7, plug-in nfprobe, `nfprobe_version: 10`, of the same packets."""
    agrees(Path(__file__).parent / "exported" / "pmacctd-1.7.7.ipfix", jobs())


def agrees(file: Path, shots: list[Shot]) -> None:
    """An exporter's flows of packets are what those packets are here."""
    with files.opened(file) as opened:
        flows = FlowFile(opened)
        records = list(flows.records())

    exported = conversations(records)
    seen: list[Conversation] = []
    table = Conversations(seen.append)
    table.read((s.at, len(s.data), 1, s.data, 0, len(s.data)) for s in shots)
    table.finish()
    assert flows.fault is None
    assert {_ends(one) for one in exported} == {_ends(one) for one in seen}
    header = 14  # an exporter counts IP packets, a capture frames
    assert {_ends(one): one.bytes_sent for one in exported} == {
        _ends(one): one.bytes_sent - header * one.packets_sent for one in seen
    }
    assert all(abs(a.first - b.first) < 1.5 for a in exported for b in seen if _ends(a) == _ends(b))


def _ends(one: Conversation) -> tuple[Any, ...]:
    return one.transport, one.client, one.client_port, one.server, one.server_port, one.used
