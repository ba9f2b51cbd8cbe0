"""What the lab simulates: the `lab:` part of an inventory, checked, one record for each device."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from ipaddress import ip_address
from pathlib import Path
from typing import Any, Literal

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.demo_lab import (
    plugged,
    service_discovery,
    service_flawed_tls,
    service_hostile,
    service_hostile_datagrams,
    service_http,
    service_ipp,
    service_odd,
    service_odd_texts,
    service_old_tls,
    service_plain,
    service_snmp,
    service_ssh,
)
from hardenprobe.demo_lab.process import INVENTORY
from hardenprobe.demo_lab.service import Service
from hardenprobe.devices.inventory import FORMAT, InventoryFile, Listed, build
from hardenprobe.errors import UnknownName
from hardenprobe.model.yaml_file import Document, Spot, load_yaml, parse

VERSIONS = ("1.0", "1.1", "1.2", "1.3")
SERVICES = (
    service_discovery,
    service_flawed_tls,
    service_hostile,
    service_hostile_datagrams,
    service_http,
    service_ipp,
    service_odd,
    service_odd_texts,
    service_old_tls,
    service_plain,
    service_snmp,
    service_ssh,
)  # importing fills the registry


@dataclass(frozen=True, kw_only=True)
class Tls:
    """The certificate and TLS settings of a device, the same on all its ports.

    Attributes:
        versions: Accepted ones, without a gap.
        ciphers: An OpenSSL cipher string for TLS 1.2 and below; "" for the library's default.
        dates: valid, expired (40 days ago), not-yet (in 20 days) or ending (in 12 days).
        key: Name of the key; devices with the same name share it. The asset tag by default. An ec-p256 key always comes
            out the same for the same name, so that it can be pinned; an rsa-2048 key is new at every start.
        names: subjectAltName instead of the device's own names and addresses.
        purpose: What extKeyUsage allows: server, client, or any, without the extension.
        padding: Bytes of an extension that means nothing.
        more: Certificates that come along and belong to nothing.
    """

    versions: tuple[Literal["1.0", "1.1", "1.2", "1.3"], ...] = ("1.2", "1.3")
    ciphers: str = ""
    issuer: Literal["lab-ca", "self-signed"] = "lab-ca"
    dates: Literal["valid", "expired", "not-yet", "ending"] = "valid"
    key_type: Literal["ec-p256", "rsa-2048"] = "ec-p256"
    key: str | None = None
    names: tuple[str, ...] = ()
    purpose: Literal["server", "client", "any"] = "server"
    padding: int = 0
    more: int = 0


@dataclass(frozen=True, kw_only=True)
class Allow:
    """A list of admitted sources that the device really enforces.

    Attributes:
        services: What it guards, by the words of `speaks`; all of them where none is named.
        by: What others meet: `close` accepts and closes without a byte, `forbid` answers 403 where HTTP is spoken.
            SNMP is silent either way.
    """

    entries: tuple[str, ...]
    services: tuple[str, ...] = ()
    by: Literal["close", "forbid"] = "close"


@dataclass(frozen=True, kw_only=True)
class Trap:
    """What a hasty look gets wrong about a device.

    Attributes:
        check: Id of the check that has to look twice.
        says: The result it must come to.
        because: What misleads, and why it must not.
    """

    check: str
    says: Literal["pass", "fail", "unknown", "informational", "notapplicable"]
    because: str


@dataclass(frozen=True, kw_only=True)
class Lab:
    """One simulated device.

    Attributes:
        model: What it calls itself.
        clock_ahead_s: By how many seconds its clock is wrong.
        engine: Name that its SNMP engine id is made from; devices with the same name share it. The asset tag by default.
        services: Mappings of `speaks` and the keys of that service; `ports` in place of `port` stands for several of them.
        states: What people state of it: control to answer.
        traps: Of each trap at least one of the lab's scans must show what it says.
        attack: What a hostile device does to a client, in words.
        answers: Check to the results that a scan may come to on it; only hostile devices have some.
    """

    model: str
    firmware: str = "1.0.0"
    clock_ahead_s: int = 0
    engine: str | None = None
    tls: Tls | None = None
    services: tuple[dict[str, Any], ...] = ()
    allow: tuple[Allow, ...] = ()
    states: dict[str, str] = field(default_factory=dict)
    traps: tuple[Trap, ...] = ()
    attack: str = ""
    answers: dict[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Virtual:
    """A device of the inventory as the lab sees it.

    Attributes:
        lab: None for a device that is listed and has nothing on the line.
    """

    listed: Listed
    lab: Lab | None = None
    services: tuple[Service, ...] = ()

    def refusal(self, service: Service, source: str) -> Literal["close", "forbid"] | None:
        """How the device turns a source away from a service, None where it lets it in."""
        for allow in self.lab.allow if self.lab else ():
            if allow.services and service.speaks not in allow.services:
                continue
            if source not in _set(allow.entries):
                return allow.by if service.says_forbidden else "close"
        return None


@lru_cache(maxsize=256)
def _set(entries: tuple[str, ...]) -> AddressSet:
    return AddressSet.of(entries)


def load(path: Path = INVENTORY) -> tuple[Virtual, ...]:
    """Read every device of an inventory, those that are not listed too.

    Raises:
        FileInvalid: With file and line.
    """
    document = load_yaml(path)
    if document.data.get("inventory") != FORMAT:
        raise document.fault(("inventory",), f"inventory is not {FORMAT!r}")
    file = parse(document, InventoryFile)
    build(file.devices, document)
    seen: set[str] = set()
    devices = []
    for i, listed in enumerate(file.devices):
        device = _device(document, ("devices", i), listed)
        for address in listed.addresses if device.lab else ():
            if address in seen:
                raise document.fault(("devices", i, "addresses"), f"address {address} is simulated twice")
            seen.add(address)
        devices.append(device)
    return tuple(devices)


def _device(document: Document, spot: Spot, listed: Listed) -> Virtual:
    if listed.lab is None:
        return Virtual(listed=listed)
    for address in listed.addresses:
        if not ip_address(address).is_loopback:
            raise document.fault(
                (*spot, "addresses"), f"{address} is no loopback address, and the lab stays there"
            )
    lab = parse(document, Lab, (*spot, "lab"), listed.lab)
    declared = [
        ((*spot, "lab", "services", k), one) for k, given in enumerate(lab.services) for one in _each(given)
    ]
    services = tuple(_service(document, here, given) for here, given in declared)
    taken: set[tuple[str, int]] = set()
    for (here, _), service in zip(declared, services, strict=True):
        if (service.transport, service.port) in taken:
            raise document.fault(here, f"{service.transport} port {service.port} is taken already")
        taken.add((service.transport, service.port))
        if service.needs_certificate and lab.tls is None:
            raise document.fault(here, f"{service.speaks!r} needs the key 'tls' beside 'services'")
    _check(document, (*spot, "lab"), lab)
    return Virtual(listed=listed, lab=lab, services=services)


def _each(given: dict[str, Any]) -> list[dict[str, Any]]:
    """The service once for each of its ports."""
    ports = given.get("ports")
    if not isinstance(ports, list):
        return [given]
    rest = {key: value for key, value in given.items() if key != "ports"}
    return [{**rest, "port": port} for port in ports]


def _service(document: Document, spot: Spot, given: dict[str, Any]) -> Service:
    speaks = given.get("speaks")
    kind = Service.registry.get(speaks) if isinstance(speaks, str) else None
    if kind is None and isinstance(speaks, str):
        plugged.installed(speaks)
        kind = Service.registry.get(speaks)
    if kind is None:
        raise document.fault((*spot, "speaks"), str(UnknownName("service", str(speaks), Service.registry)))
    data = {key: value for key, value in given.items() if key != "speaks"}
    service = parse(document, kind, spot, data)
    if not 1 <= service.port <= 65535:
        raise document.fault((*spot, "port"), f"port {service.port} is not 1 to 65535")
    if fault := service.fault():
        raise document.fault(spot, fault)
    return service


def _check(document: Document, spot: Spot, lab: Lab) -> None:
    if lab.tls:
        places = sorted(VERSIONS.index(v) for v in lab.tls.versions)
        if not places or places != list(range(places[0], places[-1] + 1)):
            raise document.fault(
                (*spot, "tls", "versions"), "versions must be some of 1.0 to 1.3 without a gap"
            )
    for k, allow in enumerate(lab.allow):
        for word in allow.services:
            if word not in Service.registry:
                raise document.fault(
                    (*spot, "allow", k, "services"), str(UnknownName("service", word, Service.registry))
                )
        try:
            AddressSet.of(allow.entries)
        except ValueError as exc:
            raise document.fault((*spot, "allow", k, "entries"), str(exc)) from None


def simulated(devices: Iterable[Virtual]) -> tuple[Virtual, ...]:
    """The devices that have something on the line."""
    return tuple(device for device in devices if device.lab)


def addresses(inventory: Path) -> tuple[str, ...]:
    """The addresses of the devices that an inventory simulates, whatever they speak."""
    devices = load_yaml(inventory).data.get("devices", ()) if inventory.suffix in (".yaml", ".yml") else ()
    return tuple(address for device in devices if "lab" in device for address in device["addresses"])
