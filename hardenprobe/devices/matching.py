"""Whether who answers at an address is the device that answered there before.

A setting that is mended can take away what a device was known by: with SNMP off, nobody reads its serial number any more.
So a device is known again by whatever it still shows of what it showed before.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hardenprobe.model import Identity

BORN = ("serial", "engine-id", "printer-uuid")
"""The kinds that mending changes in no device: where both have one and they differ, it is another device."""

KEPT = (*BORN, "host-key", "tls-key", "name")
"""The kinds that a device is known again by, the most telling first."""


@dataclass(frozen=True, kw_only=True)
class Known:
    """A device as an earlier review met it at an address.

    Attributes:
        device: Its id.
        marks: (kind, value) of what it showed of `KEPT`.
    """

    device: str
    marks: tuple[tuple[str, str], ...] = ()


def marks(shown: Iterable[Identity]) -> tuple[tuple[str, str], ...]:
    """What of that which a device shows tells it again; what an inventory says of it is nothing that it shows."""
    found = {(i.kind, i.value) for i in shown if i.kind in KEPT and i.source not in ("inventory", "scan")}
    return tuple(sorted(found, key=lambda mark: (KEPT.index(mark[0]), mark[1])))


def same(before: Iterable[tuple[str, str]], now: Iterable[tuple[str, str]]) -> bool | None:
    """Tell whether it is the same device: True, False for another one, None where nothing tells.

    >>> same([("serial", "A1"), ("name", "printer")], [("serial", "B2"), ("name", "printer")])
    False
    >>> same([("serial", "A1"), ("name", "printer")], [("name", "printer")])
    True
    >>> same([("tls-key", "11")], [("tls-key", "22")]) is None
    True
    """
    old, new = set(before), set(now)
    for kind in KEPT:
        was, has = ({value for one, value in marks if one == kind} for marks in (old, new))
        if was & has:
            return True
        if was and has and kind in BORN:
            return False
    return None
