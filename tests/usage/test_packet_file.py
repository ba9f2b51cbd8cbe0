"""Capture files as the drafts draft-ietf-opsawg-pcap and draft-ietf-opsawg-pcapng lay them out."""

from __future__ import annotations

import gzip
import struct
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.captures import Shot, pcap, pcapng

from hardenprobe.errors import FileInvalid
from hardenprobe.usage import files, packet_file

SHOTS = [
    Shot(b"first" * 9, 1_800_000_000.25),
    Shot(b"second", 1_800_000_001.5, length=900),
    Shot(b"", 1_800_000_002.0),
]
READ = [(shot.at, shot.length or len(shot.data), shot.link, shot.data) for shot in SHOTS]


def read(data: bytes, folder: Path) -> tuple[list[Any], packet_file.PacketFile]:
    (file := folder / "capture").write_bytes(data)
    with files.opened(file) as opened:
        found = packet_file.PacketFile(opened)
        packets = [(at, length, link, held[a:b]) for at, length, link, held, a, b in found.packets()]
    return packets, found


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("packed", [False, True], ids=["plain", "gzip"])
@pytest.mark.parametrize(
    "made",
    [lambda o: pcap(SHOTS, o), lambda o: pcap(SHOTS, o, nanoseconds=True), lambda o: pcapng(SHOTS, o), lambda o: pcapng(SHOTS, o, 9)],
    ids=["pcap", "nanoseconds", "pcapng", "pcapng of nanoseconds"],
)  # fmt: skip
def test_every_form_gives_the_same_packets(made: Any, order: str, packed: bool, tmp_path: Path) -> None:
    data = made(order)

    packets, file = read(gzip.compress(data) if packed else data, tmp_path)

    assert [(pytest.approx(at, abs=1e-5), *rest) for at, *rest in READ] == [tuple(one) for one in packets]
    assert file.fault is None


def test_sections_may_differ_in_byte_order(tmp_path: Path) -> None:
    packets, file = read(pcapng(SHOTS, "<") + pcapng(SHOTS, ">"), tmp_path)

    assert len(packets) == 2 * len(SHOTS)
    assert file.fault is None


def test_packets_that_the_machine_lost_are_known(tmp_path: Path) -> None:
    _, file = read(pcapng(SHOTS, dropped=7, seen=100), tmp_path)

    assert (file.dropped, file.received) == (7, 100)
    assert read(pcap(SHOTS), tmp_path)[1].dropped is None


@pytest.mark.parametrize(
    "data", [b"", b"GIF89a", b"\x1f\x8b", gzip.compress(b"text")], ids=["empty", "other", "half", "packed"]
)
def test_what_is_no_capture_is_refused(data: bytes, tmp_path: Path) -> None:
    with pytest.raises(FileInvalid, match="no packet capture"):
        read(data, tmp_path)


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(FileInvalid, match="cannot be read"), files.opened(tmp_path / "none"):
        pass


@pytest.mark.parametrize(
    "made", [pcap(SHOTS), pcapng(SHOTS), gzip.compress(pcap(SHOTS))], ids=["pcap", "pcapng", "gzip"]
)
def test_of_a_file_that_breaks_off_the_rest_counts_and_the_fault_is_said(made: bytes, tmp_path: Path) -> None:
    packets, file = read(made[:-3], tmp_path)

    assert len(packets) >= 1
    assert file.fault


def test_a_packet_that_claims_gigabytes_ends_the_reading(tmp_path: Path) -> None:
    packets, file = read(pcap(SHOTS) + struct.pack("<IIII", 1, 1, 0xFFFFFFF0, 60) + b"x" * 100, tmp_path)

    assert len(packets) == len(SHOTS)
    assert "4294967280" in (file.fault or "")


@given(st.binary(max_size=400), st.sampled_from([b"", pcap(SHOTS), pcapng(SHOTS), pcapng(SHOTS, ">")[:60]]))
def test_no_bytes_raise_anything_else(tail: bytes, head: bytes) -> None:
    import io

    file = packet_file.PacketFile(files.Input(io.BytesIO(head + tail), "file"))
    try:
        for _, _, _, data, start, end in file.packets():
            assert 0 <= start <= end <= len(data)
    except FileInvalid:
        pass
