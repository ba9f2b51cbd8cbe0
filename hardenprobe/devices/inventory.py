"""The inventory: which devices there should be, where, whose, and what is declared of them. YAML or CSV."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from hashlib import sha256
from ipaddress import ip_address
from pathlib import Path
from typing import Any, Literal

from hardenprobe.addresses.sets import AddressSet, parse_entry, parse_network
from hardenprobe.errors import FileInvalid, ScatteredMasks, UnknownName
from hardenprobe.model import KINDS, BaselineRule, csv_file
from hardenprobe.model.document import digest
from hardenprobe.model.yaml_file import Document, Spot, load_yaml, parse, read_text
from hardenprobe.scope.ports import SERVICES
from hardenprobe.standards.ccss import ENVIRONMENTAL, read_group
from hardenprobe.standards.rule_files import shipped_baselines

FORMAT = "hardenprobe.inventory/1"
Kind = Literal["printer", "multifunction", "scanner", "label-printer", "plotter", "unknown"]
Criticality = Literal["low", "medium", "high"]
HEX = frozenset("0123456789abcdef")
LISTS = frozenset({"names", "addresses", "tags"})


@dataclass(frozen=True, kw_only=True)
class AllowList:
    """Sources that a device is said to admit, for some of its services.

    Attributes:
        entries: What the list means; checked when the file is read.
        copied: The list letter for letter as the device's settings show it; faults in it are findings, not errors.
    """

    services: tuple[str, ...]
    entries: tuple[str, ...]
    copied: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Declared:
    """A port that a device is known to have."""

    port: int
    protocol: str
    transport: Literal["tcp", "udp"] = "tcp"


@dataclass(frozen=True, kw_only=True)
class Dependent:
    """Who would notice if a service went away."""

    who: str
    uses: str


@dataclass(frozen=True, kw_only=True)
class NetworkSegment:
    """Networks that are asked from the same vantage points.

    Attributes:
        vantages: Names of the vantage points; each of them asks every target in the networks.
        connections_per_second: That they begin there, all of them together; None where only the scan's own rate holds.
    """

    name: str
    networks: tuple[str, ...]
    vantages: tuple[str, ...]
    connections_per_second: float | None = None


@dataclass(frozen=True, kw_only=True)
class Listed:
    """One device of the inventory.

    Attributes:
        make_model: What it is, in your words; firmware floors and the choice of a baseline go by it, too.
        pinned_key: SHA-256 of the SubjectPublicKeyInfo that its certificate must show, hex.
        engine_id: snmpEngineID that the device states, hex; confirms it before a secret is sent to it.
        ccss: Environmental metrics of CCSS (NIST IR 7502, 2.3) in vector notation, such as "CDP:LM/CR:H".
        fragile: Known to suffer from being asked: its raw print ports are not even connected to, and TLS suites are asked for
            by classes (`tls_suites` of a baseline).
        listed: False hides the entry from the inventory; for devices that a lab simulates and the inventory does not list.
        lab: What demo_lab simulates; no scan reads it.
    """

    asset_tag: str
    addresses: tuple[str, ...]
    kind: Kind = "unknown"
    names: tuple[str, ...] = ()
    make_model: str | None = None
    serial: str | None = None
    place: str | None = None
    owner: str | None = None
    criticality: Criticality | None = None
    ccss: str | None = None
    tags: tuple[str, ...] = ()
    depends: tuple[Dependent, ...] = ()
    fragile: bool = False
    pinned_key: str | None = None
    engine_id: str | None = None
    allow_lists: tuple[AllowList, ...] = ()
    services: tuple[Declared, ...] = ()
    listed: bool = True
    lab: dict[str, Any] | None = None


@dataclass(frozen=True, kw_only=True)
class Inventory:
    """Devices by address and by asset tag.

    Attributes:
        approved_networks: Networks from which the site's devices may be reached; what allow-lists are held against.
        baselines: Which baseline is for which devices, the first that fits; files are named relative to the current folder.
        segments: From where each network is asked, when several vantage points do.
        source: Base name and SHA-256 of the file, for observations.
    """

    devices: tuple[Listed, ...] = ()
    approved_networks: tuple[str, ...] = ()
    baselines: tuple[BaselineRule, ...] = ()
    segments: tuple[NetworkSegment, ...] = ()
    source: str = ""
    by_address: Mapping[str, Listed] = field(default_factory=dict)
    by_serial: Mapping[str, Listed] = field(default_factory=dict)

    @property
    def hash(self) -> str:
        """SHA-256 of what it says of the devices; "" where it lists none."""
        return digest([asdict(device) for device in self.devices]) if self.devices else ""


@dataclass(frozen=True, kw_only=True)
class InventoryFile:
    """An inventory file, key for key."""

    inventory: str
    devices: tuple[Listed, ...]
    approved_networks: tuple[str, ...] = ()
    baselines: tuple[BaselineRule, ...] = ()
    segments: tuple[NetworkSegment, ...] = ()


def load(path: Path) -> Inventory:
    """Read an inventory; a name that ends in .csv is read as CSV, anything else as YAML.

    Raises:
        FileInvalid: With file, line and how to fix it.
    """
    document = _read_csv(path) if path.suffix.lower() == ".csv" else load_yaml(path)
    if document.data.get("inventory") != FORMAT:
        raise document.fault(
            ("inventory",), f"inventory is {document.data.get('inventory')!r}, expected {FORMAT!r}"
        )
    file = parse(document, InventoryFile)
    _check_entries(document, ("approved_networks",), file.approved_networks)
    rules = tuple(_rule(document, i, file) for i in range(len(file.baselines)))
    _check_segments(document, file.segments)
    known = build(file.devices, document)
    source = f"{path.name} (SHA-256 {sha256(path.read_bytes()).hexdigest()})"
    return replace(
        known,
        approved_networks=file.approved_networks,
        baselines=rules,
        segments=file.segments,
        source=source,
    )


def _rule(document: Document, i: int, file: InventoryFile) -> BaselineRule:
    """Check a rule, and find its file, which is named from where the inventory lies."""
    rules = file.baselines
    rule, spot = rules[i], ("baselines", i)
    borne = {tag for device in file.devices for tag in device.tags}
    for k, tag in enumerate(rule.tags):
        if tag not in borne:  # misspelt, it would leave devices to another baseline unseen
            unknown = UnknownName("tag on any device of this inventory", tag, borne)
            raise document.fault(
                (*spot, "tags", k), f"{unknown}; give it to a device, or take it out of the rule"
            )
    for k, kind in enumerate(rule.kinds):
        if kind not in (*KINDS, "unknown"):
            raise document.fault((*spot, "kinds", k), str(UnknownName("kind of device", kind, KINDS)))
    _check_entries(document, (*spot, "networks"), rule.networks)
    if rule == BaselineRule(baseline=rule.baseline) and i + 1 < len(rules):
        raise document.fault(
            spot, "this rule fits every device, so that those below it never count; put it last"
        )
    if rule.baseline in shipped_baselines():
        return rule
    path = Path(document.file).parent / rule.baseline
    if not path.is_file():
        unknown = UnknownName("baseline", rule.baseline, shipped_baselines(), see="hardenprobe baseline list")
        raise document.fault((*spot, "baseline"), f"{unknown}; a file is looked for beside the inventory")
    return replace(rule, baseline=str(path))


def build(devices: Iterable[Listed], document: Document) -> Inventory:
    """Check devices against each other and index them.

    Raises:
        FileInvalid: A duplicate address, tag or serial, or a value that means nothing.
    """
    tags: dict[str, int] = {}
    by_address: dict[str, Listed] = {}
    by_serial: dict[str, Listed] = {}
    kept: list[Listed] = []
    for i, device in enumerate(devices):
        spot: Spot = ("devices", i)
        if not device.listed:
            continue
        if not device.asset_tag.strip():
            raise document.fault((*spot, "asset_tag"), "asset_tag is empty")
        if device.asset_tag in tags:
            first = document.line(("devices", tags[device.asset_tag]))
            raise document.fault(
                (*spot, "asset_tag"), f"asset tag {device.asset_tag!r} is already on line {first}"
            )
        tags[device.asset_tag] = i
        if not device.addresses:
            raise document.fault((*spot, "addresses"), f"device {device.asset_tag!r} has no address")
        for k, text in enumerate(device.addresses):
            try:
                address = str(ip_address(text))
            except ValueError:
                raise document.fault((*spot, "addresses", k), f"{text!r} is no IP address") from None
            if address in by_address:
                other = by_address[address].asset_tag
                raise document.fault(
                    (*spot, "addresses", k),
                    f"address {address} belongs to {other!r} already; one address, one device",
                )
            by_address[address] = device
        if device.serial:
            if device.serial in by_serial:
                other = by_serial[device.serial].asset_tag
                raise document.fault(
                    (*spot, "serial"), f"serial {device.serial!r} belongs to {other!r} already"
                )
            by_serial[device.serial] = device
        try:
            read_group(device.ccss or "", ENVIRONMENTAL)
        except ValueError as exc:
            raise document.fault((*spot, "ccss"), f"ccss: {exc}") from None
        _check_lists(document, spot, device)
        kept.append(device)
    return Inventory(
        devices=tuple(kept), source=Path(document.file).name, by_address=by_address, by_serial=by_serial
    )


def _check_lists(document: Document, spot: Spot, device: Listed) -> None:
    for k, declared in enumerate(device.allow_lists):
        for m, word in enumerate(declared.services):
            if word not in SERVICES:
                known = ", ".join(sorted(SERVICES))
                raise document.fault(
                    (*spot, "allow_lists", k, "services", m), f"{word!r} is no service; known are {known}"
                )
        _check_entries(document, (*spot, "allow_lists", k, "entries"), declared.entries)
    for k, service in enumerate(device.services):
        if not 1 <= service.port <= 65535:
            raise document.fault((*spot, "services", k, "port"), f"port {service.port} is not 1 to 65535")
    pin = device.pinned_key
    if pin is not None and (len(pin) != 64 or set(pin) - set("0123456789abcdef")):
        raise document.fault((*spot, "pinned_key"), "pinned_key must be 64 lower-case hex digits (SHA-256)")
    engine = device.engine_id
    if engine is not None and (len(engine) % 2 or not 10 <= len(engine) <= 64 or set(engine) - HEX):
        raise document.fault(
            (*spot, "engine_id"), "engine_id must be 10 to 64 lower-case hex digits (RFC 3411)"
        )


def _check_segments(document: Document, segments: Iterable[NetworkSegment]) -> None:
    """Every address is in one segment at most, and every segment is asked from somewhere."""
    seen, names = AddressSet(), set[str]()
    for i, one in enumerate(segments):
        spot: Spot = ("segments", i)
        if not one.name.strip() or one.name in names:
            raise document.fault((*spot, "name"), f"segment {one.name!r}: a segment needs a name of its own")
        names.add(one.name)
        for key in ("networks", "vantages"):
            if not getattr(one, key):
                raise document.fault((*spot, key), f"{key} of segment {one.name!r} is empty")
        for k, text in enumerate(one.networks):
            try:
                parse_network(text)
            except ValueError as exc:
                raise document.fault((*spot, "networks", k), str(exc)) from None
        here = AddressSet.of(one.networks)
        if twice := seen & here:
            raise document.fault(
                (*spot, "networks"), f"{twice.first()} is in two segments; one address, one segment"
            )
        seen = seen | here
        rate = one.connections_per_second
        if rate is not None and not (math.isfinite(rate) and rate > 0):
            raise document.fault(
                (*spot, "connections_per_second"),
                f"connections_per_second is {rate}, expected a number above 0",
            )


def _check_entries(document: Document, spot: Spot, entries: Iterable[str]) -> None:
    read = []
    for i, text in enumerate(entries):
        try:
            read.append(parse_entry(text))
        except ValueError as exc:
            raise document.fault((*spot, i), str(exc)) from None
    try:
        AddressSet.of(read)
    except ScatteredMasks as exc:
        raise document.fault(spot, str(exc)) from None


def _read_csv(path: Path) -> Document:
    """Read a spreadsheet's export: one device a line, lists separated by spaces or semicolons, # a remark."""
    text = read_text(path)
    known = set(Listed.__dataclass_fields__) - {"allow_lists", "services", "depends", "listed", "lab"}
    lines: dict[Spot, int] = {(): 1, ("devices",): 1}
    devices: list[dict[str, Any]] = []
    header: list[str] = []
    for line, cells in csv_file.rows(io.StringIO(text, newline=""), str(path)):
        if not header:
            header = _csv_header(str(path), line, cells, known)
            continue
        lines[("devices", len(devices))] = line
        devices.append(_csv_device(str(path), line, csv_file.named(header, cells, str(path), line)))
    return Document(str(path), {"inventory": FORMAT, "devices": devices}, lines)


def _csv_header(file: str, line: int, row: list[str], known: set[str]) -> list[str]:
    header = [cell.lower().replace(" ", "_") for cell in row]
    for cell in header:
        if cell not in known:
            raise FileInvalid(file, line, f"unknown column {cell!r}; known are {', '.join(sorted(known))}")
    return header


def _csv_device(file: str, line: int, row: dict[str, str]) -> dict[str, Any]:
    device: dict[str, Any] = {}
    for key, value in row.items():
        if not value:
            continue
        if key in LISTS:
            device[key] = value.replace(";", " ").split()
        elif key == "fragile":
            if value.lower() not in ("true", "false"):
                raise FileInvalid(file, line, f"fragile is {value!r}, expected true or false")
            device[key] = value.lower() == "true"
        else:
            device[key] = value
    return device
