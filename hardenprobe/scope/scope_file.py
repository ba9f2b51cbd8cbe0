"""The scope file: YAML, checked key by key before anything is scanned."""

from __future__ import annotations

import contextlib
import difflib
import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, date, time
from ipaddress import IPv4Network, ip_address
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from hardenprobe.addresses.sets import AddressSet, Network, parse_network
from hardenprobe.errors import clip
from hardenprobe.model import Lease, Reach
from hardenprobe.model.yaml_file import Document, Spot, load_yaml, parse
from hardenprobe.scope import limits as gentleness
from hardenprobe.scope.limits import Gentleness
from hardenprobe.scope.scope import MULTICAST, MULTICAST_GRANT, SECOND_OPINION_GRANT, Scope, link_granted
from hardenprobe.scope.window import Window

FORMAT = "hardenprobe.scope/1"
SYSTEM = "system"
RESOLVERS = Path("/etc/resolv.conf")  # resolv.conf(5)
WIDEST_PUBLIC = {4: 24, 6: 64}  # prefix bits; one link's worth of addresses (RFC 4291 section 2.5.1 for IPv6)
NOBODY = AddressSet.of(
    ["0.0.0.0/8", "255.255.255.255", "::"]
)  # RFC 1122 section 3.2.1.3, RFC 4291 section 2.5.2


@dataclass(frozen=True, kw_only=True)
class NetworkEntry:
    """A network that may be scanned.

    Attributes:
        public: Its addresses belong to the whole Internet; said on purpose, network by network.
    """

    network: str
    public: bool = False


@dataclass(frozen=True, kw_only=True)
class LeaseEntry:
    """Devices of another owner: who agreed to the scan for the owner."""

    owner: str
    agreed_by: str
    networks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Contacts:
    """Whom to call: the monitoring team, and who can call the scan off."""

    monitoring: tuple[str, ...] = ()
    abort: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ScopeFile:
    """The scope file, key for key. A network may be written as its bare text, contacts as one list or one text."""

    scope: str
    name: str
    authorised_by: str
    networks: tuple[NetworkEntry, ...]
    exclude: tuple[str, ...] = ()
    leased: tuple[LeaseEntry, ...] = ()
    until: str | None = None
    contacts: Contacts = field(default_factory=Contacts)
    sources: tuple[str, ...] = ()
    window: Window | None = None
    stop_file: str | None = None
    reach: Reach = Reach.ASK
    grants: tuple[str, ...] = ()
    gentleness: Gentleness = field(default_factory=Gentleness)
    clock_checked_by: str | None = None
    clock_reference: str | None = None
    name_server: str | None = None
    translated: bool | None = None
    other_addresses: bool = True


def load(path: Path, known: Mapping[str, Reach | None] | None = None) -> Scope:
    """Read a scope file.

    Args:
        known: Check id to the furthest reach of its probes, to hold grants against; None leaves their names unread.

    Raises:
        FileInvalid: With file, line and how to fix it.
    """
    document = _spelled_out(load_yaml(path))
    file = parse(document, ScopeFile)
    if file.scope != FORMAT:
        raise document.fault(("scope",), f"scope is {file.scope!r}, expected {FORMAT!r}")
    for key, value in (("name", file.name), ("authorised_by", file.authorised_by)):
        if not value.strip():
            who = "name who authorised the scan" if key == "authorised_by" else "give the scope a name"
            raise document.fault((key,), f"{key} is empty: {who}")
    if not file.networks:
        raise document.fault(
            ("networks",), "networks is empty: name at least one network that may be scanned"
        )
    networks = AddressSet.of(entry.network for entry in _granted_networks(document, file.networks))
    for i, lease in enumerate(file.leased):
        _check_lease(document, ("leased", i), lease, networks)
    if known is not None:
        _check_grants(document, file, known)
    for fault in gentleness.faults(document, asdict(file.gentleness)):
        raise fault
    return Scope(
        name=file.name,
        networks=networks,
        public=AddressSet.of(entry.network for entry in file.networks if entry.public),
        exclude=_networks(document, ("exclude",), file.exclude),
        leased=tuple(Lease(**asdict(lease)) for lease in file.leased),
        reach=file.reach,
        grants=frozenset(file.grants),
        gentleness=file.gentleness,
        until=_day(document, file.until),
        window=_window(document, file.window),
        stop_file=Path(file.stop_file).expanduser() if file.stop_file else None,
        sources=_networks(document, ("sources",), file.sources) if file.sources else None,
        authorised_by=file.authorised_by,
        contacts=file.contacts.monitoring,
        abort=file.contacts.abort,
        clock_checked_by=file.clock_checked_by or "",
        clock_reference=_server(document, "clock_reference", file.clock_reference, "time server"),
        name_server=_name_server(document, file.name_server),
        translated=file.translated,
        other_addresses=file.other_addresses,
        file_hash=hashlib.sha256(path.read_bytes()).hexdigest(),
    )


def _server(document: Document, key: str, text: str | None, what: str) -> str:
    """A server, as a literal address: no name is looked up for it."""
    if text is None:
        return ""
    try:
        found = ip_address(text)
    except ValueError:
        raise document.fault((key,), f"{key} is {clip(text)}, expected the address of a {what}") from None
    if found.is_multicast or found.is_unspecified:
        raise document.fault((key,), f"{key} {found} is no address of one server")
    return str(found)


def _name_server(document: Document, text: str | None) -> str:
    """A DNS server by its address, or the first one of this machine."""
    if text != SYSTEM:
        return _server(document, "name_server", text, f"DNS server, or {SYSTEM!r}")
    with contextlib.suppress(OSError, UnicodeDecodeError):
        for words in map(str.split, RESOLVERS.read_text(encoding="utf-8").splitlines()):
            with contextlib.suppress(ValueError):
                if words[:1] == ["nameserver"] and "%" not in words[1]:
                    return str(ip_address(words[1]))
    raise document.fault(
        ("name_server",), f"name_server is {SYSTEM!r}, and {RESOLVERS} names no DNS server; write its address"
    )


def _spelled_out(document: Document) -> Document:
    """The short ways of writing a network and contacts, written out."""
    data = dict(document.data)
    if isinstance(data.get("networks"), list):
        data["networks"] = [
            {"network": entry} if isinstance(entry, str) else entry for entry in data["networks"]
        ]
    contacts = data.get("contacts")
    if isinstance(contacts, str | list):
        contacts = {"monitoring": contacts}
    if isinstance(contacts, dict):
        data["contacts"] = {
            key: [value] if isinstance(value, str) else value for key, value in contacts.items()
        }
    if isinstance(data.get("leased"), dict):
        data["leased"] = [data["leased"]]
    return Document(document.file, data, document.lines)


def _granted_networks(document: Document, entries: Iterable[NetworkEntry]) -> Iterable[NetworkEntry]:
    for i, entry in enumerate(entries):
        spot: Spot = ("networks", i)
        network, text = _network(document, spot, entry.network), entry.network
        if not network.prefixlen:
            raise document.fault(
                spot, f"{text} is everything; name the networks that you are authorised to scan"
            )
        asked = AddressSet.of([text])
        if asked & MULTICAST:
            raise document.fault(
                spot,
                f"{text} is multicast; leave it out, and write `grants: [{MULTICAST_GRANT}LINK]` if you mean it",
            )
        if asked & NOBODY:
            raise document.fault(spot, f"{text} holds addresses that no device has; leave them out")
        public, widest = _public(network), WIDEST_PUBLIC[network.version]
        if public and network.prefixlen < widest:
            raise document.fault(
                spot,
                f"{text} is public and wide; name public networks one by one, none wider than a /{widest}",
            )
        if public and not entry.public:
            raise document.fault(
                spot,
                f"{text} is public: if it is yours to answer for, write {{network: {text!r}, public: true}}",
            )
        if entry.public and not public:
            raise document.fault(spot, f"{text} is not public; leave `public: true` out")
        yield entry


def _public(network: Network) -> bool:
    """Part of the Internet that everybody shares, by the registries of special-purpose addresses (RFC 6890).

    A block counts as not public only where all of it lies in one special-purpose block, so that nothing public hides
    in a wider entry.
    """
    shared = isinstance(network, IPv4Network) and network.subnet_of(IPv4Network("100.64.0.0/10"))  # RFC 6598
    return not (shared or network.is_private or network.is_link_local)


def _networks(document: Document, spot: Spot, entries: Iterable[str]) -> AddressSet:
    for i, entry in enumerate(entries):
        _network(document, (*spot, i), entry)
    return AddressSet.of(entries)


def _network(document: Document, spot: Spot, entry: str) -> Network:
    try:
        return parse_network(entry)
    except ValueError as exc:
        raise document.fault(spot, str(exc)) from None


def _check_lease(document: Document, spot: Spot, lease: LeaseEntry, networks: AddressSet) -> None:
    for key, value in (("owner", lease.owner), ("agreed_by", lease.agreed_by)):
        if not value.strip():
            raise document.fault(
                (*spot, key), f"{key} is empty: devices of another owner need the owner's consent"
            )
    outside = _networks(document, (*spot, "networks"), lease.networks) - networks
    if outside or not lease.networks:
        where = f"{outside.first()} is in none of the networks" if outside else "networks is empty"
        raise document.fault((*spot, "networks"), f"leased: {where}; a lease grants nothing by itself")


def _check_grants(document: Document, file: ScopeFile, known: Mapping[str, Reach | None]) -> None:
    grantable: dict[str, Reach] = {f"{MULTICAST_GRANT}LINK": Reach.ASK, SECOND_OPINION_GRANT: Reach.STRAIN}
    grantable |= {id: reach for id, reach in known.items() if reach and reach.admits(Reach.STRAIN)}
    for i, name in enumerate(file.grants):
        spot: Spot = ("grants", i)
        if link_granted(name) and file.reach.admits(Reach.ASK):
            continue
        if name not in grantable:
            near = difflib.get_close_matches(name, grantable, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else f"; grants are {', '.join(sorted(grantable))}"
            what = "which needs no grant" if name in known else "which is no grant"
            raise document.fault(spot, f"grants names {name!r}, {what}{hint}")
        if not file.reach.admits(grantable[name]):
            raise document.fault(
                spot,
                f"grants names {name!r}, which needs reach {grantable[name]}, and the scope goes as far as {file.reach}",
            )


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
    told = []
    for key in ("first", "last"):
        value = getattr(window, key)
        try:
            told.append(time.fromisoformat(value))
        except ValueError:
            told.append(time(tzinfo=UTC))
        if told[-1].tzinfo is not None:  # the zone has a key of its own
            raise document.fault(("window", key), f"window.{key} is {value!r}, expected HH:MM")
    if told[0] == told[1]:
        raise document.fault(("window",), f"the window from {window.first} to {window.last} never opens")
    try:
        ZoneInfo(window.zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise document.fault(
            ("window", "zone"), f"window.zone is {window.zone!r}, no IANA time zone"
        ) from None
    return window
