"""The pcap file of a capture: a new one, or the one of a scan that goes on. What is in it, network/capture/capture.py says.

The link type is "Linux cooked capture", which holds for every interface: a scan may leave by several.
Source: the pcap file format, and LINKTYPE_LINUX_SLL, of the tcpdump group's list of link-layer header types.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import IO, Any

from hardenprobe.errors import UsageError
from hardenprobe.network.scapy_loader import scapy_module

LINK_TYPE = 113  # LINKTYPE_LINUX_SLL
FILE_HEADER, RECORD_HEADER, LINK_HEADER = 24, 16, 16  # bytes


def writer(out: IO[bytes], largest: int) -> Any:
    """A writer of pcap files with times in microseconds; its `write_packet` takes bytes, `sec` and `usec`.

    `write_header(None)` begins a file.

    Args:
        largest: The most bytes that a packet may have, link header included.
    """
    return scapy_module("utils").RawPcapWriter(out, linktype=LINK_TYPE, snaplen=largest)


def new(path: Path) -> tuple[int, int, int]:
    """Make a new file, which only its owner may read; return its descriptor and how many packets and bytes it holds.

    Raises:
        UsageError: It is there already, or cannot be made.
    """
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600), 0, 0
    except FileExistsError as exc:
        raise UsageError(f"--capture {path} is there already; name a new file") from exc
    except OSError as exc:
        raise UsageError(f"--capture {path}: {exc.strerror}") from exc


def left(path: Path, named: int) -> tuple[int, int, int]:
    """Open the file that an interrupted scan left, and cut off a packet that it was writing; return as `new`.

    Args:
        named: The highest packet number that the scan has named so far, 0 for none.

    Raises:
        UsageError: It is gone, or is not the one that the scan left.
    """
    try:
        file = os.open(path, os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW)
    except FileNotFoundError as exc:
        if not named:  # an empty one does not outlive a scan
            return new(path)
        raise UsageError(f"--capture {path} is gone, and the scan goes on in it; bring it back") from exc
    except OSError as exc:
        raise UsageError(f"--capture {path}: {exc.strerror}") from exc
    with contextlib.ExitStack() as undo:
        undo.callback(os.close, file)
        count, end = _whole(file, path)
        if count < named:
            raise UsageError(
                f"--capture {path} holds {count} whole packets, and the scan that goes on has named number {named}; "
                "bring the file back as it was left"
            )
        os.ftruncate(file, end)
        os.lseek(file, end, os.SEEK_SET)
        undo.pop_all()
    return file, count, end


def _whole(file: int, path: Path) -> tuple[int, int]:
    if not os.fstat(file).st_size:
        return 0, 0
    with os.fdopen(os.dup(file), "rb") as read:
        found = whole_packets(read)
    if found is None:
        raise UsageError(f"--capture {path} is no capture of a scan; bring it back as it was left")
    return found


# ---- files of packets


def whole_packets(file: IO[bytes]) -> tuple[int, int] | None:
    """How many whole packets a pcap file holds, and where the last of them ends; None where it is no such file."""
    try:
        reader = scapy_module("utils").RawPcapReader(file)
    except Exception:  # noqa: BLE001 - of its own, and whatever a file that is none makes of it
        return None
    if reader.linktype != LINK_TYPE:
        return None
    count, end = 0, file.tell()
    for _, packet in reader:
        whole = end + RECORD_HEADER + packet.caplen
        if packet.caplen < LINK_HEADER or file.tell() != whole:
            break
        count, end = count + 1, whole
    return count, end
