"""A capture's file: what of it is whole, and what a scan that goes on does not take for its own."""

from __future__ import annotations

import io
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.errors import UsageError
from hardenprobe.network.capture import pcap_file
from hardenprobe.network.capture.pcap_file import FILE_HEADER, RECORD_HEADER

SIZES = (40, 1500, 41, 65_600)


def pcap(sizes: tuple[int, ...] = SIZES) -> bytes:
    out = io.BytesIO()
    writer = pcap_file.writer(out, 1 << 18)
    writer.write_header(None)
    for size in sizes:
        writer.write_packet(b"x" * size, sec=1, usec=2)
    return out.getvalue()


def test_it_is_a_pcap_file_of_the_published_format() -> None:
    # draft-ietf-opsawg-pcap section 4: magic number, version 2.4, two reserved fields, snapshot length, link type
    header = b"".join(
        n.to_bytes(size, "little")
        for n, size in ((0xA1B2C3D4, 4), (2, 2), (4, 2), (0, 4), (0, 4), (1 << 18, 4), (113, 4))
    )
    assert pcap(())[:FILE_HEADER] == header


@given(st.integers(0, 200_000), st.binary(max_size=60))
def test_however_it_was_torn_every_whole_packet_counts(cut: int, after: bytes) -> None:
    whole = pcap()
    cut = FILE_HEADER + cut % (len(whole) - FILE_HEADER + 1)
    ends = [FILE_HEADER]
    for size in SIZES:
        ends.append(ends[-1] + RECORD_HEADER + size)
    before = max(n for n, end in enumerate(ends) if end <= cut)
    assert pcap_file.whole_packets(io.BytesIO(whole[:cut])) == (before, ends[before])
    found = pcap_file.whole_packets(io.BytesIO(whole[:cut] + after))
    assert found is not None and found[0] >= before


def test_zeros_after_a_loss_of_power_are_no_packets() -> None:
    whole = pcap()
    assert pcap_file.whole_packets(io.BytesIO(whole + bytes(4096))) == (len(SIZES), len(whole))


@given(st.binary(max_size=80))
def test_a_file_of_anything_else_is_none(data: bytes) -> None:
    assert pcap_file.whole_packets(io.BytesIO(data)) is None


def left(path: Path, named: int) -> tuple[int, int]:
    file, count, size = pcap_file.left(path, named)
    try:
        assert os.lseek(file, 0, os.SEEK_CUR) == size == path.stat().st_size, "what is written next is added"
    finally:
        os.close(file)
    return count, size


def test_what_an_interrupted_scan_left_is_cut_where_it_is_whole(tmp_path: Path) -> None:
    file = tmp_path / "scan.pcap"
    file.write_bytes(pcap() + b"\0" * 20)
    assert left(file, 4) == (4, len(pcap()))
    assert file.read_bytes() == pcap()


@pytest.mark.parametrize(
    ("content", "named", "said"),
    [
        (None, 1, "is gone, and the scan goes on in it; bring it back"),
        (pcap(), 5, "holds 4 whole packets, and the scan that goes on has named number 5"),
        (b"", 1, "holds 0 whole packets"),
        (b"a letter to somebody, and no packets", 0, "is no capture of a scan"),
        (pcap().replace((113).to_bytes(4, "little"), (1).to_bytes(4, "little"), 1), 0, "is no capture"),
    ],
    ids=["gone", "shorter", "empty", "another file", "another link type"],
)
def test_what_a_scan_did_not_leave_is_refused_and_stays(
    tmp_path: Path, content: bytes | None, named: int, said: str
) -> None:
    file = tmp_path / "scan.pcap"
    if content is not None:
        file.write_bytes(content)
    with pytest.raises(UsageError, match=said):
        pcap_file.left(file, named)
    assert (file.read_bytes() if file.exists() else None) == content


def test_a_scan_that_captured_nothing_begins_its_file_anew(tmp_path: Path) -> None:
    file = tmp_path / "scan.pcap"
    assert left(file, 0) == (0, 0)
    assert file.stat().st_mode & 0o777 == 0o600
    assert left(file, 0) == (0, 0)


def test_a_link_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "real.pcap").write_bytes(pcap())
    (tmp_path / "scan.pcap").symlink_to(tmp_path / "real.pcap")
    with pytest.raises(UsageError):
        pcap_file.left(tmp_path / "scan.pcap", 0)
