"""Capture files as tests make them, and what tshark counts in one: another program's opinion."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import struct
import subprocess
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import pytest


class Shot(NamedTuple):
    """A packet to write."""

    data: bytes
    at: float = 1_800_000_000.0
    link: int = 1
    length: int | None = None  # on the wire, where less of it was captured


def pcap(shots: Sequence[Shot], order: str = "<", nanoseconds: bool = False) -> bytes:
    """A pcap file; all packets have the link type of the first."""
    magic, unit = (0xA1B23C4D, 1_000_000_000) if nanoseconds else (0xA1B2C3D4, 1_000_000)
    link = shots[0].link if shots else 1
    made = struct.pack(order + "IHHiIII", magic, 2, 4, 0, 0, 262144, link)
    for shot in shots:
        seconds, part = divmod(round(shot.at * unit), unit)
        size = len(shot.data)
        made += struct.pack(order + "IIII", seconds, part, size, shot.length or size) + shot.data
    return made


def pcapng(
    shots: Sequence[Shot], order: str = "<", resolution: int = 6, dropped: int | None = None, seen: int = 0
) -> bytes:
    """A pcapng file with an interface for each link type."""
    links = list(dict.fromkeys(shot.link for shot in shots)) or [1]
    made = _block(order, 0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1))
    for link in links:
        options = struct.pack(order + "HHB3xHH", 9, 1, resolution, 0, 0)
        made += _block(order, 1, struct.pack(order + "HHI", link, 0, 262144) + options)
    for shot in shots:
        ticks = round(shot.at * 10**resolution)
        size = len(shot.data)
        head = struct.pack(
            order + "IIIII",
            links.index(shot.link),
            ticks >> 32,
            ticks & 0xFFFFFFFF,
            size,
            shot.length or size,
        )
        made += _block(order, 6, head + shot.data + b"\0" * (-size % 4))
    if dropped is not None:
        options = struct.pack(order + "HHQHHQHH", 4, 8, seen, 5, 8, dropped, 0, 0)
        made += _block(order, 5, struct.pack(order + "III", 0, 0, 0) + options)
    return made


def _block(order: str, kind: int, body: bytes) -> bytes:
    size = struct.pack(order + "I", len(body) + 12)
    return struct.pack(order + "I", kind) + size + body + size


FILE_HEADER = 24  # bytes of a capture file without a packet


@contextlib.contextmanager
def capturing(tcpdump: str, file: Path, *what: str) -> Iterator[None]:
    """Let tcpdump write what goes over loopback, by a filter; other tests use that interface at the same time."""
    options = ["-n", "-i", "lo", "-U", "--immediate-mode", "-B", "16384", "-Z", "root", "-w", str(file)]
    process = subprocess.Popen([tcpdump, *options, *what], stderr=subprocess.PIPE, text=True)
    assert process.stderr is not None
    try:
        assert any("listening" in line for line in process.stderr)
        yield
        size, before = file.stat().st_size, -1
        while size != before or size <= FILE_HEADER:  # what the kernel holds for it
            time.sleep(0.5)
            size, before = file.stat().st_size, size
    finally:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=10)


# ---- the other opinion


End = tuple[str, int]


def packaged(name: str) -> str:
    """Where a program is; skipped where its Debian package of the same name is not installed, failed on the build machine."""
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")
    if found is None:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(f"needs the Debian package {name}")
    return found


def tshark(*arguments: object) -> str:
    """Run tshark."""
    run = subprocess.run(
        [packaged("tshark"), *map(str, arguments)], check=False, capture_output=True, text=True, timeout=50
    )
    assert run.returncode == 0, run.stderr
    return run.stdout


def counted(file: Path, transport: str) -> Counter[tuple[frozenset[End], int, int]]:
    """The conversations that `tshark -q -z conv,...` counts: both ends, packets and bytes in all."""
    found: Counter[tuple[frozenset[End], int, int]] = Counter()
    exact = _bytes(file, transport)
    for line in tshark("-n", "-q", "-z", f"conv,{transport}", "-r", file).splitlines():
        if " <-> " in line:
            left, _, rest = line.partition(" <-> ")
            right, *numbers = rest.split()
            ends = frozenset((_end(left.strip()), _end(right)))
            frames, size, unit = numbers[6:9]
            shown = int(size)
            # A large number is shown in kB; the sum over the frames of the same conversation is exact.
            key = (ends, int(frames))
            sums = exact[key]
            assert unit in ("bytes", "kB", "MB"), line
            whole = (
                shown
                if unit == "bytes"
                else next(
                    one for one in sums if one // (1000 if unit == "kB" else 10**6) in (shown, shown - 1)
                )
            )
            assert whole in sums, line
            found[(*key, whole)] += 1
    return found


def _bytes(file: Path, transport: str) -> dict[tuple[frozenset[End], int], list[int]]:
    """By ends and number of frames: the bytes of each conversation."""
    fields = (
        "ip.src",
        "ipv6.src",
        "ip.dst",
        "ipv6.dst",
        f"{transport}.srcport",
        f"{transport}.dstport",
        f"{transport}.stream",
        "frame.len",
    )
    chosen = [part for field in fields for part in ("-e", field)]
    streams: dict[tuple[frozenset[End], str], list[int]] = {}
    for line in tshark(
        "-n",
        "-Y",
        f"{transport} and not icmp and not icmpv6",
        "-T",
        "fields",
        "-E",
        "occurrence=l",
        *chosen,
        "-r",
        file,
    ).splitlines():
        v4, v6, to4, to6, source, target, stream, length = line.split("\t")
        ends = frozenset(((v4 or v6, int(source)), (to4 or to6, int(target))))
        streams.setdefault((ends, stream), []).append(int(length))
    found: dict[tuple[frozenset[End], int], list[int]] = {}
    for (ends, _), lengths in streams.items():
        found.setdefault((ends, len(lengths)), []).append(sum(lengths))
    return found


def _end(text: str) -> End:
    address, _, port = text.rpartition(":")
    return re.sub(r"^\[|\]$", "", address), int(port)


def totals(conversations: Iterable[object], transport: str) -> Counter[tuple[frozenset[End], int, int]]:
    """What we counted, in the same form."""
    from ipaddress import ip_address

    return Counter(
        (
            frozenset(
                ((str(ip_address(c.client)), c.client_port), (str(ip_address(c.server)), c.server_port))
            ),
            c.packets_sent + c.packets_received,
            c.bytes_sent + c.bytes_received,
        )
        for c in conversations
        if c.transport == transport
    )
