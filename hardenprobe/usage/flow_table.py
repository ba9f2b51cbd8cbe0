"""Reads use from a CSV file, such as another system's list of flows can be brought into.

The first line names the columns, in any order; times are ISO 8601 with a zone:

    client,device,transport,port,first,last,conversations,bytes_sent,bytes_received
    192.0.2.40,192.0.2.7,tcp,515,2026-11-24T08:00:00Z,2026-11-24T16:30:00Z,31,812345,9312

`client` and `device` are addresses, `transport` is tcp or udp; the last three may be left out. Bytes are the client's.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from datetime import UTC, datetime
from ipaddress import ip_address
from typing import NamedTuple

from hardenprobe.errors import FileInvalid, clip
from hardenprobe.model import Transport, csv_file
from hardenprobe.usage.files import Input

COLUMNS = (
    "client",
    "device",
    "transport",
    "port",
    "first",
    "last",
    "conversations",
    "bytes_sent",
    "bytes_received",
)
_NEEDED = COLUMNS[:6]
_LONGEST = 4096  # bytes of a line


class Line(NamedTuple):
    """A line of the file; times are seconds since 1970."""

    client: bytes
    device: bytes
    transport: Transport
    port: int
    first: float
    last: float
    conversations: int
    bytes_sent: int
    bytes_received: int


def is_table(begin: bytes) -> bool:
    """Whether a file that begins so is such a table."""
    words = (
        begin.split(b"\n", 1)[0].removeprefix(b"\xef\xbb\xbf").decode("ascii", "replace").strip().split(",")
    )
    return set(_NEEDED) <= {word.strip().lower() for word in words}


def read(file: Input) -> Iterator[Line]:
    """The lines of a table.

    Raises:
        FileInvalid: A line cannot be read; says which and why.
    """
    text = io.TextIOWrapper(file.file, "utf-8-sig", "replace", newline="")
    rows = csv_file.rows(_lines(text, file.name), file.name)
    number = 1
    try:
        _, first = next(rows, (1, []))
        header = [cell.lower() for cell in first]
        if missing := [name for name in _NEEDED if header.count(name) != 1]:
            raise FileInvalid(file.name, 1, f"the header must name {', '.join(missing)} once")
        for number, cells in rows:
            yield _line(csv_file.named(header, cells, file.name, number))
    except ValueError as exc:
        raise FileInvalid(file.name, number, str(exc)) from exc
    finally:
        text.detach()


def _lines(text: io.TextIOWrapper, name: str) -> Iterator[str]:
    number = 0
    while line := text.readline(_LONGEST):
        number += 1
        if len(line) == _LONGEST:
            raise FileInvalid(name, number, f"this line has more than {_LONGEST} characters")
        yield line


def _line(row: dict[str, str]) -> Line:
    """Read one line.

    Raises:
        ValueError: Says what is wrong with it.
    """
    transport = row["transport"].lower()
    if transport not in ("tcp", "udp"):
        raise ValueError(f"transport is {clip(transport)}, expected tcp or udp")
    port = _number(row, "port", 65535)
    first, last = _moment(row, "first"), _moment(row, "last")
    if not port or last < first:
        raise ValueError("port is 0, expected 1 or more" if not port else "last is before first")
    return Line(
        client=_address(row, "client"),
        device=_address(row, "device"),
        transport="tcp" if transport == "tcp" else "udp",
        port=port,
        first=first,
        last=last,
        conversations=_number(row, "conversations") if row.get("conversations") else 1,
        bytes_sent=_number(row, "bytes_sent") if row.get("bytes_sent") else 0,
        bytes_received=_number(row, "bytes_received") if row.get("bytes_received") else 0,
    )


def _address(row: dict[str, str], column: str) -> bytes:
    try:
        return ip_address(row[column]).packed
    except ValueError:
        raise ValueError(f"{column} is {clip(row[column])}, expected an IP address") from None


def _number(row: dict[str, str], column: str, most: int = (1 << 63) - 1) -> int:
    text = row[column]
    if not (text.isascii() and text.isdigit() and len(text) < 20 and int(text) <= most):
        raise ValueError(f"{column} is {clip(text)}, expected a whole number up to {most}")
    return int(text)


def _moment(row: dict[str, str], column: str) -> float:
    try:
        moment = datetime.fromisoformat(row[column])
        if moment.tzinfo is not None:
            return moment.astimezone(UTC).timestamp()
    except (ValueError, OverflowError):
        pass
    raise ValueError(
        f"{column} is {clip(row[column])}, expected a time with its zone, such as 2026-11-24T08:00:00Z"
    )
