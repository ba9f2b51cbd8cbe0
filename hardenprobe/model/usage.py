"""Who used a service of a device, and in which period, from which place, that was seen. It holds no payload."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from hardenprobe.model.observation import Transport


@dataclass(frozen=True, slots=True, kw_only=True)
class UsageSource:
    """A capture, a file of flow records, or a device's own table, and what it covers.

    Attributes:
        id: Names it in the store.
        name: The file's name, without the folder.
        place: Where it was seen, in people's words, such as "mirror port of the print server".
        first, last: The period that it covers: its first and last packet or record, UTC, ISO 8601.
        packets: How many were read; of records, how many packets they count.
        lost: How many more there were, as far as the source says; None where it does not say.
        sampled: Of so many packets one was seen; 1 where all were.
        clients: How clients are kept: by address, by keyed pseudonym or by network.
        devices: Addresses of devices of which anything was seen there; of others it says nothing.
        expires: From this day on (ISO 8601) it is no longer used; None for never.
        notices: What else a reader must know of it, one line each.
    """

    id: str
    kind: Literal["capture", "flow-records", "table"]
    name: str
    sha256: str
    place: str
    first: str
    last: str
    packets: int
    lost: int | None = None
    sampled: int = 1
    clients: Literal["addresses", "pseudonyms", "networks"] = "addresses"
    devices: tuple[str, ...] = ()
    expires: str | None = None
    notices: tuple[str, ...] = ()

    def expired(self, day: str) -> bool:
        """Whether it is no longer used on a day (ISO 8601)."""
        return self.expires is not None and self.expires <= day


def expiry(last: str, days: int) -> str:
    """The day from which a period that ended at a moment is no longer used.

    >>> expiry("2026-11-24T16:30:00Z", 90)
    '2027-02-23'
    """
    try:
        return (date.fromisoformat(last[:10]) + timedelta(days=days + 1)).isoformat()
    except OverflowError:
        return date.max.isoformat()


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """What one client had with one service of one device, in one source.

    Attributes:
        source: Id of the source.
        client: Address, pseudonym or network.
        address: The device's.
        first, last: Of the conversations, UTC, ISO 8601.
        conversations: Over which something was said; those that were refused or stayed empty are none.
        bytes_sent, bytes_received: By the client.
    """

    source: str
    client: str
    address: str
    transport: Transport
    port: int
    first: str
    last: str
    conversations: int
    bytes_sent: int
    bytes_received: int


@dataclass(frozen=True, slots=True, kw_only=True)
class User:
    """A client of a service, over all sources."""

    client: str
    first: str
    last: str
    conversations: int
    bytes_sent: int
    bytes_received: int


UsageState = Literal["used", "no-use-seen", "not-covered"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceUsage:
    """Who used one service of one device, as reports show it; a stored review does not hold it.

    Attributes:
        state: used; no-use-seen, which holds for the covered time at the named places and nothing more; not-covered where
            nothing can be said.
        users: The one that was seen last first.
        days: How much time is covered, in days; gaps between sources are not.
        first, last: Begin and end of what is covered, UTC, ISO 8601; None where nothing is.
        places: Where it was seen.
        scanned: Conversations of the scan itself were seen, and are left out.
        partial: Some of the packets were lost, or only a sample was taken.
        reported: Some users are from tables that the device reports itself, which show a moment and cover no time.
    """

    transport: Transport
    port: int
    state: UsageState
    users: tuple[User, ...] = ()
    days: float = 0.0
    first: str | None = None
    last: str | None = None
    places: tuple[str, ...] = ()
    scanned: bool = False
    partial: bool = False
    reported: bool = False
