"""Where inventory and network disagree, as observations, so that a stored review is judged from itself."""

from __future__ import annotations

from dataclasses import dataclass

from hardenprobe.model import Transport
from hardenprobe.model.kinds import facts


@facts("not-met")
@dataclass(frozen=True, kw_only=True)
class NotMet:
    """A device of the inventory that this scan looked for and did not meet.

    Attributes:
        why: As in records.Missed.
        source: Base name and SHA-256 of the inventory's file.
    """

    asset_tag: str
    addresses: tuple[str, ...]
    why: str
    source: str


@facts("address-asked")
@dataclass(frozen=True, kw_only=True)
class AddressAsked:
    """What became of one address of a device from a vantage point: which source asked there, or that none did.

    Attributes:
        outcome: answered, refused, silent, unfinished, or "not asked".
        source: Our own address; None where none asked.
        on_link: Whether the address is on a network of this machine, so that no address translation can change the source
            address; None where that is not known.
    """

    address: str
    outcome: str
    source: str | None = None
    on_link: bool | None = None

    @property
    def assessed(self) -> bool:
        """All of it was looked at, whatever it answered."""
        return self.outcome in ("answered", "refused", "silent")


@facts("other-address")
@dataclass(frozen=True, kw_only=True)
class OtherAddress:
    """An address that a device is known to have beside the one that was visited.

    Attributes:
        told_by: snmp (ipAddressTable, RFC 4293), mdns (its A and AAAA records), link (an entry of the neighbour table
            with the same link-layer address), or dns (A and AAAA records of its listed names).
        left_out: Why it is not assessed in the same scan; None where it is.
    """

    address: str
    told_by: str
    left_out: str | None = None


@facts("not-listed")
@dataclass(frozen=True, kw_only=True)
class NotListed:
    """A device that answered and that the inventory does not hold.

    Attributes:
        address_of: Asset tag that the inventory has at this address, None where it has none: somebody else sits there.
        source: Base name and SHA-256 of the inventory's file.
    """

    addresses: tuple[str, ...]
    address_of: str | None
    source: str


@facts("statement-made")
@dataclass(frozen=True, kw_only=True)
class StatementMade:
    """A person's answer to a control, where it holds for the device on the day of the review.

    Attributes:
        statement: Its id in the ledger.
        control: Id of standards/controls.py.
        answer: yes, no, partly or not applicable.
        made, until: Days, ISO 8601.
        about: Whom it was made about: the device, a tag, or the whole fleet.
    """

    statement: str
    control: str
    answer: str
    by: str
    made: str
    until: str
    about: str


@facts("service-used")
@dataclass(frozen=True, kw_only=True)
class ServiceUsed:
    """Use of a service of the device, as the evidence of use has it on the day of the review; no client is named.

    Attributes:
        clients: How many used it.
        first, last: UTC, ISO 8601.
        places: Where it was seen, in people's words.
    """

    transport: Transport
    port: int
    clients: int
    conversations: int
    first: str
    last: str
    places: tuple[str, ...] = ()


@facts("declared-allow-list")
@dataclass(frozen=True, kw_only=True)
class DeclaredAllowList:
    """A list of admitted sources as the inventory declares it for a device.

    Attributes:
        services: Words of ports.SERVICES, for example ("http", "https").
        entries: As written: address, CIDR or first-last.
        approved: The site's approved networks; empty where the inventory names none.
        position: Which of the device's lists, from 1.
        source: Base name and SHA-256 of the inventory's file.
        copied: The list letter for letter as the device's settings show it; empty where it was not copied.
    """

    services: tuple[str, ...]
    entries: tuple[str, ...]
    position: int
    approved: tuple[str, ...]
    source: str
    copied: tuple[str, ...] = ()


@facts("declared-device")
@dataclass(frozen=True, kw_only=True)
class DeclaredDevice:
    """What the inventory says of a device, as far as a verdict may rest on it.

    Attributes:
        pinned_key: SHA-256 of the SubjectPublicKeyInfo that its certificate must show, hex.
        source: Base name and SHA-256 of the inventory's file.
    """

    asset_tag: str
    device_kind: str
    names: tuple[str, ...] = ()
    criticality: str | None = None
    fragile: bool = False
    pinned_key: str | None = None
    source: str = ""
