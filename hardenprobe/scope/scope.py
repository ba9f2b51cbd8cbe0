"""The scope: what may be touched, by whom, when and how far. Asked before every connection; scope/scope_file.py reads it."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, date, datetime
from functools import cached_property
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.errors import ScopeRefused
from hardenprobe.model import Authorisation, Lease, Reach
from hardenprobe.scope.accounts import operator
from hardenprobe.scope.limits import Gentleness, Timing
from hardenprobe.scope.window import Window

LOOPBACK = AddressSet.of(["127.0.0.0/8", "::1"])
MULTICAST = AddressSet.of(["224.0.0.0/4", "ff00::/8"])  # RFC 5771, RFC 4291 section 2.7
MULTICAST_GRANT = "multicast:"
"""Begins a grant that names the interface on whose link groups may be asked, such as "multicast:eth0"."""
SECOND_OPINION_GRANT = "tls-second-opinion"


def link_granted(grant: str) -> str | None:
    """The interface that a grant names for multicast, None for any other grant.

    >>> link_granted("multicast:eth0"), link_granted("snmp-amplification")
    ('eth0', None)
    """
    return grant.removeprefix(MULTICAST_GRANT) or None if grant.startswith(MULTICAST_GRANT) else None


@dataclass(frozen=True, kw_only=True)
class Scope:
    """What a scan is allowed.

    Attributes:
        networks: Everything that may be touched.
        public: What of it was called public; for the record.
        exclude: What of it may not be touched.
        leased: What of it belongs to somebody else, who agreed.
        reach: The furthest reach.
        grants: Checks of reach strain or alter, and other things beyond the ordinary, by name; None grants all.
        until: Last day of the authorisation, None for no end.
        sources: The testers' own addresses, None where any will do.
        contacts, abort: The monitoring team, and who can call the scan off.
        clock_checked_by: Who checked that this machine's clock is right; "" for no one.
        clock_reference: Address of the time server that this machine's clock is measured against; "" for none.
        name_server: Address of the DNS server that is asked for the listed names of devices; "" for none.
        translated: Whether there is an address translator between this machine and the devices; None where not known.
        other_addresses: Whether an address that a device is known to have besides, inside the networks, is assessed with it.
        file_hash: SHA-256 of the file that it was read from.
        also: Another scope that must allow it as well; see `within`.
    """

    name: str
    networks: AddressSet
    public: AddressSet = field(default_factory=AddressSet)
    exclude: AddressSet = field(default_factory=AddressSet)
    leased: tuple[Lease, ...] = ()
    reach: Reach = Reach.ASK
    grants: frozenset[str] | None = frozenset()
    gentleness: Gentleness = field(default_factory=Gentleness)
    until: date | None = None
    window: Window | None = None
    stop_file: Path | None = None
    sources: AddressSet | None = None
    authorised_by: str = ""
    contacts: tuple[str, ...] = ()
    abort: tuple[str, ...] = ()
    clock_checked_by: str = ""
    clock_reference: str = ""
    name_server: str = ""
    translated: bool | None = None
    other_addresses: bool = True
    file_hash: str | None = None
    also: Scope | None = None

    def within(self, other: Scope) -> Scope:
        """What both scopes allow: of networks, grants and sources what both name, and the narrower of all else."""
        return replace(
            self,
            networks=self.networks & other.networks,
            exclude=self.exclude | other.exclude,
            reach=self.reach if other.reach.admits(self.reach) else other.reach,
            grants=_common(self.grants, other.grants),
            gentleness=self.gentleness.narrowed(other.gentleness),
            sources=_common(self.sources, other.sources),
            name_server=self.name_server if self.name_server == other.name_server else "",
            translated=self.translated or other.translated,
            other_addresses=self.other_addresses and other.other_addresses,
            also=other,
        )

    @classmethod
    def loopback(cls) -> Scope:
        """This machine itself, which needs no authorisation but one's own."""
        return cls(
            name="loopback",
            networks=LOOPBACK,
            reach=Reach.ALTER,
            grants=None,
            gentleness=Gentleness(connections_per_second=None),
            authorised_by=operator(),
            translated=False,
        )

    def authorisation(self, timing: Timing) -> Authorisation:
        """What a review keeps of the scope.

        Args:
            timing: The waits and ceilings that hold.
        """
        return Authorisation(
            file_hash=self.file_hash,
            authorised_by=self.authorised_by,
            until=self.until.isoformat() if self.until else None,
            networks=self.networks.cover(),
            public=self.public.cover(),
            excluded=self.exclude.cover(),
            leased=self.leased,
            sources=self.sources.cover() if self.sources is not None else (),
            window=str(self.window) if self.window else None,
            stop_file=str(self.stop_file) if self.stop_file else None,
            reach=self.reach,
            grants=None if self.grants is None else tuple(sorted(self.grants)),
            gentleness={key: float(value) for key, value in asdict(timing).items()},
            contacts=self.contacts,
            abort=self.abort,
        )

    def check(self, address: str) -> None:
        """Refuse an address, an hour or a stopped scan.

        Raises:
            ScopeRefused: Says which, and how to fix it.
        """
        self.check_now()
        self.check_address(address)

    def check_address(self, address: str) -> None:
        """Refuse an address, at whatever hour.

        Raises:
            ScopeRefused: Says which, and how to fix it.
        """
        if address in self.allowed:
            return
        if self.also is not None:
            self.also.check_address(address)
        if address in self.exclude:
            raise ScopeRefused(f"{address} is excluded by scope {self.name!r}", address)
        if address in MULTICAST:
            if self.grants is not None and not any(map(link_granted, self.grants)):
                raise ScopeRefused(
                    f"{address} is multicast, which reaches devices that are not named; "
                    f"scope {self.name!r} would have to say `grants: [{MULTICAST_GRANT}LINK]`",
                    address,
                )
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

    @cached_property
    def allowed(self) -> AddressSet:
        """The networks without what is excluded."""
        return self.networks - self.exclude

    def check_now(self, now: datetime | None = None) -> None:
        """Refuse the hour, the day, or a scan whose stop file exists.

        Raises:
            ScopeRefused: The window is closed, the authorisation has ended, or the stop file is there.
        """
        if self.stop_file is not None and self.stop_file.exists():
            raise ScopeRefused(f"stop file {self.stop_file} is there; remove it to scan")
        if self.also is not None:
            self.also.check_now(now)
        if self.window is None and self.until is None:
            return
        now = now or datetime.now(UTC)
        day = now.astimezone(ZoneInfo(self.window.zone) if self.window else UTC).date()
        if self.until and day > self.until:
            raise ScopeRefused(f"the authorisation of scope {self.name!r} ended on {self.until}")
        if self.window and not self.window.open_at(now):
            raise ScopeRefused(f"the window of scope {self.name!r} is {self.window}; it is closed now")

    def check_reach(self, reach: Reach) -> None:
        """Refuse a reach beyond what was granted.

        Raises:
            ScopeRefused: The scope does not grant it.
        """
        if not self.reach.admits(reach):
            raise ScopeRefused(
                f"reach {reach} is not granted: scope {self.name!r} goes as far as {self.reach}; write `reach: {reach}` there"
            )

    def granted(self, name: str, reach: Reach = Reach.STRAIN) -> bool:
        """Tell whether a check, or another thing beyond the ordinary, may be done.

        Args:
            reach: How far it goes; look and ask need no grant by name.
        """
        return not reach.admits(Reach.STRAIN) or self.grants is None or name in self.grants

    def grants_link(self, name: str) -> bool:
        """Tell whether the multicast groups of a link may be asked.

        Args:
            name: Of our interface on it.
        """
        return self.grants is None or f"{MULTICAST_GRANT}{name}" in self.grants

    def check_source(self, source: str) -> None:
        """Refuse a source address that is not one of the testers'."""
        if self.sources is not None and source not in self.sources:
            raise ScopeRefused(
                f"source {source} is none of the testers' addresses in scope {self.name!r}; "
                "name one of them with --source",
                source,
            )


def _common(one: Any, other: Any) -> Any:
    """The common part of two sets, each None where everything is in it."""
    return other if one is None else one if other is None else one & other


def is_loopback(address: str) -> bool:
    """Tell whether an address is this machine's own."""
    return address in LOOPBACK
