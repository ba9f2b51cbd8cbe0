"""The scope: what may be touched, by whom, when and how far. Asked before every connection."""

from __future__ import annotations

import getpass
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from functools import cached_property
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from hardenprobe.addresses import AddressSet, parse_network
from hardenprobe.documents import Document, Spot, load_yaml, parse
from hardenprobe.errors import ScopeRefused
from hardenprobe.records import Reach

LOOPBACK = AddressSet.of(["127.0.0.0/8", "::1"])
FORMAT = "hardenprobe.scope/1"


@dataclass(frozen=True, kw_only=True)
class Window:
    """The hours of a day in which the scan may run; `first` after `last` runs over midnight.

    Attributes:
        first, last: HH:MM in the zone.
        zone: IANA time zone name.
    """

    first: str
    last: str
    zone: str = "UTC"

    def open_at(self, now: datetime) -> bool:
        """Tell whether the window is open at an aware time."""
        here = now.astimezone(ZoneInfo(self.zone)).time().replace(tzinfo=None)
        first, last = time.fromisoformat(self.first), time.fromisoformat(self.last)
        return first <= here < last if first <= last else here >= first or here < last


@dataclass(frozen=True, kw_only=True)
class ScopeFile:
    """The scope file, key for key."""

    scope: str
    name: str
    authorised_by: str
    networks: tuple[str, ...]
    exclude: tuple[str, ...] = ()
    until: str | None = None
    contacts: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    window: Window | None = None
    stop_file: str | None = None
    reach: Reach = Reach.ASK
    clock_checked_by: str | None = None
    translated: bool | None = None


@dataclass(frozen=True, kw_only=True)
class Scope:
    """What a scan is allowed.

    Attributes:
        networks: Everything that may be touched.
        exclude: What of it may not.
        reach: The furthest reach that was granted by name.
        until: Last day of the authorisation, None for no end.
        clock_checked_by: Who vouches that this machine's clock is right; "" for nobody.
        translated: Whether an address translator stands between us and the devices; None where nobody knows.
    """

    name: str
    networks: AddressSet
    exclude: AddressSet = field(default_factory=AddressSet)
    reach: Reach = Reach.ASK
    until: date | None = None
    window: Window | None = None
    stop_file: Path | None = None
    sources: AddressSet | None = None
    authorised_by: str = ""
    contacts: tuple[str, ...] = ()
    clock_checked_by: str = ""
    translated: bool | None = None

    @classmethod
    def loopback(cls) -> Scope:
        """This machine itself, which needs no authorisation but one's own."""
        return cls(
            name="loopback", networks=LOOPBACK, reach=Reach.ALTER, authorised_by=operator(), translated=False
        )

    def check(self, address: str) -> None:
        """Refuse an address, an hour or a stopped scan.

        Raises:
            ScopeRefused: Says which, and how to mend it.
        """
        self.check_now()
        self.check_address(address)

    def check_address(self, address: str) -> None:
        """Refuse an address, at whatever hour.

        Raises:
            ScopeRefused: Says which, and how to mend it.
        """
        if address in self.granted:
            return
        if address not in self.networks:
            if self.name == "loopback":
                raise ScopeRefused(
                    f"{address} is not on this machine: scanning it needs a scope file that authorises it (--scope FILE)",
                    address,
                )
            raise ScopeRefused(
                f"{address} is outside every network of scope {self.name!r}; add it there or leave it out",
                address,
            )
        raise ScopeRefused(f"{address} is excluded by scope {self.name!r}", address)

    @cached_property
    def granted(self) -> AddressSet:
        """The networks without what is excluded."""
        return self.networks - self.exclude

    def check_now(self, now: datetime | None = None) -> None:
        """Refuse the hour, the day, or a scan that was told to stop.

        Raises:
            ScopeRefused: The window is closed, the authorisation has ended, or the stop file is there.
        """
        if self.stop_file is not None and self.stop_file.exists():
            raise ScopeRefused(f"stop file {self.stop_file} is there; remove it to scan")
        if self.window is None and self.until is None:
            return
        now = now or datetime.now(UTC)
        if self.until and now.date() > self.until:
            raise ScopeRefused(f"the authorisation of scope {self.name!r} ended on {self.until}")
        if self.window and not self.window.open_at(now):
            w = self.window
            raise ScopeRefused(
                f"the window of scope {self.name!r} is {w.first} to {w.last} {w.zone}; it is closed now"
            )

    def check_reach(self, reach: Reach) -> None:
        """Refuse a reach beyond what was granted.

        Raises:
            ScopeRefused: The scope does not grant it.
        """
        if not self.reach.admits(reach):
            raise ScopeRefused(
                f"reach {reach} is not granted: scope {self.name!r} goes as far as {self.reach}; write `reach: {reach}` there"
            )

    def check_source(self, source: str) -> None:
        """Refuse a source address that is not one of the testers'."""
        if self.sources is not None and source not in self.sources:
            raise ScopeRefused(
                f"source {source} is none of the testers' addresses in scope {self.name!r}", source
            )


def load(path: Path) -> Scope:
    """Read a scope file.

    Raises:
        FileInvalid: With file, line and mend.
    """
    document = load_yaml(path)
    file = parse(document, ScopeFile)
    if file.scope != FORMAT:
        raise document.fault(("scope",), f"scope is {file.scope!r}, expected {FORMAT!r}")
    if not file.networks:
        raise document.fault(
            ("networks",), "networks is empty: name at least one network that may be scanned"
        )
    if not file.authorised_by.strip():
        raise document.fault(("authorised_by",), "authorised_by is empty: name who authorised the scan")
    return Scope(
        name=file.name,
        networks=_networks(document, "networks", file.networks),
        exclude=_networks(document, "exclude", file.exclude),
        reach=file.reach,
        until=_day(document, file.until),
        window=_window(document, file.window),
        stop_file=Path(file.stop_file).expanduser() if file.stop_file else None,
        sources=_networks(document, "sources", file.sources) if file.sources else None,
        authorised_by=file.authorised_by,
        contacts=file.contacts,
        clock_checked_by=file.clock_checked_by or "",
        translated=file.translated,
    )


def _networks(document: Document, key: str, entries: Iterable[str]) -> AddressSet:
    for i, entry in enumerate(entries):
        spot: Spot = (key, i)
        try:
            network = parse_network(entry)
        except ValueError as exc:
            raise document.fault(spot, str(exc)) from None
        if key == "networks" and network.prefixlen and network.is_global and network.num_addresses > 65536:
            raise document.fault(
                spot, f"{entry} is public and wide; name the public networks you answer for one by one"
            )
        if key == "networks" and not network.prefixlen:
            raise document.fault(
                spot, f"{entry} is everything; name the networks that you are authorised to scan"
            )
    return AddressSet.of(entries)


def _day(document: Document, text: str | None) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise document.fault(("until",), f"until is {text!r}, expected a day such as 2026-12-31") from None


def _window(document: Document, window: Window | None) -> Window | None:
    if window is None:
        return None
    for key in ("first", "last"):
        value = getattr(window, key)
        try:
            told = time.fromisoformat(value)
        except ValueError:
            told = None
        if told is None or told.tzinfo is not None:  # the zone has a key of its own
            raise document.fault(("window", key), f"window.{key} is {value!r}, expected HH:MM")
    try:
        ZoneInfo(window.zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise document.fault(
            ("window", "zone"), f"window.zone is {window.zone!r}, no IANA time zone"
        ) from None
    return window


def is_loopback(address: str) -> bool:
    """Tell whether an address is this machine's own."""
    return address in LOOPBACK


def operator() -> str:
    """The account that runs the scan, for the record."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"
