"""What exceptions and statements have in common: whose words they are, when they hold, and which devices they mean."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Protocol

from hardenprobe.decisions.entry import Draft
from hardenprobe.errors import UnknownName, UsageError, clip
from hardenprobe.model import Device

LONGEST = 2000  # characters of anything that a person writes


class InputError(UsageError):
    """One thing of what a person asks for is wrong.

    Attributes:
        key: Which, as it is called in a file; the command line puts dashes in it.
        message: What is wrong and how to fix it.
    """

    def __init__(self, key: str, message: str) -> None:
        super().__init__(f"{key}: {message}")
        self.key = key
        self.message = message

    def __reduce__(self) -> tuple[type[InputError], tuple[str, str]]:
        return type(self), (self.key, self.message)


def sentence(key: str, text: str) -> str:
    """What a person wrote, on one line.

    Raises:
        Wrong: It is empty or too long.
    """
    plain = " ".join(text.split())
    if not plain:
        raise InputError(key, "is empty; write a few words")
    if len(plain) > LONGEST:
        raise InputError(key, f"is {len(plain)} characters long; {LONGEST} are kept")
    return plain


def day(key: str, text: str) -> date:
    """Read a day.

    Raises:
        Wrong: It is none.
    """
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(key, f"{clip(text)} is no day; write it as 2026-11-25") from None


def span(first_key: str, first: str, last_key: str, last: str) -> tuple[date, date]:
    """Read two days in order.

    Raises:
        Wrong: One is no day, or they are the wrong way round.
    """
    starts, until = day(first_key, first), day(last_key, last)
    if until < starts:
        raise InputError(last_key, f"{until} is before {starts}")
    return starts, until


class Endable(Protocol):
    """What the ledger holds until it is ended."""

    @property
    def id(self) -> str: ...

    @property
    def ended(self) -> str | None: ...


def ending(kind: str, known: Iterable[Endable], name: str, by: str, reason: str) -> Draft:
    """The entry that ends an exception or a statement before its last day; what it ends stays in the ledger.

    Args:
        kind: What it is called, in the ledger and on the command line.
        known: All of that kind.
        name: The id of the one that ends.

    Raises:
        UnknownName: There is none of that id.
        UsageError: It was ended before.
        Wrong: A word is missing.
    """
    by_id = {one.id: one for one in known}
    if name not in by_id:
        raise UnknownName(kind, name, by_id, see=f"hardenprobe {kind} list")
    if by_id[name].ended:
        raise UsageError(f"{name} was ended on {by_id[name].ended} already")
    body = {"by": sentence("by", by), "reason": sentence("reason", reason)}
    return Draft(kind=f"{kind}-end", subject=name, body=body)


def names_of(device: Device) -> tuple[str, ...]:
    """Everything that a device may be called by."""
    tag = (device.asset_tag,) if device.asset_tag else ()
    return (*tag, device.id, *device.formerly, *device.names, *(one.address for one in device.addresses))


def device_of(name: str, devices: Iterable[Device]) -> tuple[Device, ...]:
    """The devices that a name means: by asset tag alone where one has it, else by id, name or address."""
    known = tuple(devices)
    by_tag = tuple(d for d in known if d.asset_tag == name)
    return by_tag or tuple(d for d in known if name in names_of(d))
