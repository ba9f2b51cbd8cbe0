"""A device as a review keeps it: identity, addresses, services, baseline."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from hardenprobe.model.observation import Cost, State, Transport

KINDS = ("printer", "multifunction", "scanner", "label-printer", "plotter")  # of device


TARGET = "target"
"""Source of an identity: the device was given as a target by this name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Something that identifies a device.

    Attributes:
        kind: asset-tag, serial, engine-id, printer-uuid, host-key, tls-key, link-layer, name or address; make-model, description,
            device-id, title, subject, firmware and device-kind describe without telling apart.
        source: Who said so ("inventory", "scan", or the protocol).
        strength: strong may join two addresses to one device; medium and weak never do.
    """

    kind: str
    value: str
    source: str
    strength: Literal["strong", "medium", "weak"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """An address that a device was met at."""

    address: str
    family: Literal["ipv4", "ipv6"]
    zone: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """A port of a device, and what it does."""

    address: str
    transport: Transport
    port: int
    state: State
    protocol: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """A dated or hashed document that verdicts rest on."""

    name: str
    hash: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineRule:
    """For which devices a baseline is chosen: all conditions that are given must hold; without one, for every device.

    Attributes:
        baseline: A shipped baseline's name, or a file.
        kinds: Any of these kinds of device.
        networks: An address in any of these networks.
        tags: Any of these tags of the inventory.
        make_model: Text in what the device or the inventory calls it; letter case does not count.
    """

    baseline: str
    kinds: tuple[str, ...] = ()
    networks: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    make_model: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A device of the fleet. It is not an address: addresses change and swap.

    Attributes:
        id: From what identifies it; see devices/identity.py.
        kind: printer, multifunction, scanner, label-printer, plotter or unknown; the inventory's word, else what the
            device shows itself to be.
        make_model: What the inventory calls it, else device text, hostile.
        asset_tag: Owner's label, from the inventory; None for a device that is not listed.
        ccss: Environmental metrics of the inventory, such as "CDP:LM/CR:H".
        formerly: Ids of devices of earlier reviews that have turned out to be this one; what is known of them goes along.
        listed_at: Addresses that the inventory gives it; empty in reviews that did not keep them.
        multihomed: Addresses that it has or had beside others of their family (RFC 1122 section 3.3.4), by the inventory or
            because a review met it at several; empty in reviews that did not keep them.
    """

    id: str
    addresses: tuple[Address, ...]
    names: tuple[str, ...] = ()
    kind: str = "unknown"
    make_model: str | None = None
    asset_tag: str | None = None
    place: str | None = None
    owner: str | None = None
    criticality: str | None = None
    ccss: str | None = None
    tags: tuple[str, ...] = ()
    baseline: Named | None = None
    identity: tuple[Identity, ...] = ()
    services: tuple[Service, ...] = ()
    cost: Cost = field(default_factory=Cost)
    formerly: tuple[str, ...] = ()
    listed_at: tuple[str, ...] = ()
    multihomed: tuple[str, ...] = ()

    @property
    def ids(self) -> frozenset[str]:
        """Every id that it has or had."""
        return frozenset((self.id, *self.formerly))

    @property
    def label(self) -> str:
        """How people call it: asset tag, else first name, else first address."""
        return self.asset_tag or next(iter(self.names), None) or self.addresses[0].address
