"""What a scan of the lab must find, derived from the declarations alone: no socket is opened and no check is asked.

What a device is guilty of depends on who looks: a list that turns the source away hides what it guards. Addresses are
reckoned here with the standard library, so that a fault in hardenprobe's own address sets would show.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from ipaddress import ip_address, ip_network
from pathlib import Path

from hardenprobe.demo_lab import truth_discovery, truth_fleet, truth_ssh, truth_web
from hardenprobe.demo_lab.certificates import key_digest
from hardenprobe.demo_lab.declarations import Virtual, load
from hardenprobe.demo_lab.named_keys import named_key
from hardenprobe.demo_lab.service import Service
from hardenprobe.demo_lab.service_http import Http, Https
from hardenprobe.demo_lab.service_old_tls import OldTls
from hardenprobe.demo_lab.service_plain import Ftp
from hardenprobe.demo_lab.service_snmp import Snmp
from hardenprobe.demo_lab.service_ssh import Ssh
from hardenprobe.devices import inventory

DEFAULT_COMMUNITIES = ("public", "private")
EXPECTED_TCP = frozenset({80, 443, 631})
HTTP_PORTS = frozenset({80, 8080})
TLS_PORTS = frozenset({443, 631, 8443})
RAW_PORTS = frozenset(range(9100, 9108))

# The words of declared allow-lists, and the ports they mean.
WORDS: dict[str, tuple[tuple[str, int], ...]] = {
    "http": (("tcp", 80), ("tcp", 8080)),
    "https": (("tcp", 443), ("tcp", 8443)),
    "snmp": (("udp", 161),),
    "ssh": (("tcp", 22),),
    "telnet": (("tcp", 23),),
    "ftp": (("tcp", 21),),
    "ipp": (("tcp", 631),),
    "lpd": (("tcp", 515),),
    "raw-print": (("tcp", 9100),),
}

# What a server of long ago is guilty of, whoever asks.
OLD_TLS = (
    ("tls-certificate-lifetime", None),
    ("tls-certificate-untrusted", None),
    ("tls-compression", None),
    ("tls-insecure-renegotiation", None),
    ("tls-name-mismatch", None),
    ("tls-no-forward-secrecy", "static RSA"),
    ("tls-weak-cipher", "RC4"),
    ("tls-weak-cipher", "finite-field DHE in TLS 1.2 and below"),
    ("tls-weak-key", None),
    ("tls-weak-parameters", "finite-field group"),
    ("tls-weak-signature", None),
)

OF_THE_ISSUER = ("tls-weak-signature", "tls-certificate-lifetime", "tls-name-mismatch")

# What speaks against a statement, of those that the lab's people make.
CONTRADICTS = {"settings-page-open": "administrator-password-set", "ipp-job-disclosure": "job-names-private"}

DATES = {"expired": "expired", "not-yet": "not yet valid", "ending": "ending soon"}
OLD = ("1.0", "1.1")


@dataclass(frozen=True, order=True)
class Guilt:
    """One finding that a scan must bring.

    Attributes:
        device: Asset tag, or the first address of a device that nobody has listed.
        transport: None, like the port, where the check looks at no endpoint.
    """

    device: str
    check: str
    transport: str | None = None
    port: int | None = None
    subject: str | None = None


def expected_findings(inventory_path: Path, source: str, approved: Sequence[str] | None = None) -> set[Guilt]:
    """Derive every finding of the checks named in this module.

    Args:
        inventory_path: An inventory with its `lab:` parts.
        source: The address that the scan comes from.
        approved: Networks that an allow-list may admit; those that the inventory names by default.

    Raises:
        FileInvalid: The inventory is wrong.
    """
    if approved is None:
        approved = inventory.load(inventory_path).approved_networks
    return findings_of(load(inventory_path), source, approved)


def findings_of(devices: Sequence[Virtual], source: str, approved: Sequence[str]) -> set[Guilt]:
    """The same for devices that stand in no file."""
    found = {Guilt(*one) for one in truth_fleet.found(devices, source)}
    found |= set(_shared_keys(devices, source))
    for device in devices:
        if device.lab is None:
            continue
        label = device.listed.asset_tag if device.listed.listed else device.listed.addresses[0]
        for check, transport, port, subject in _of(device, source, approved):
            found.add(Guilt(label, check, transport, port, subject))
            if (control := CONTRADICTS.get(check)) in device.lab.states:
                found.add(Guilt(label, "statement-contradicted", transport, port, control))
    for device, shared in truth_ssh.shared(devices, source):
        label = device.listed.asset_tag if device.listed.listed else device.listed.addresses[0]
        found.add(Guilt(label, *shared))
    return _counted_once(found)


def _counted_once(found: set[Guilt]) -> set[Guilt]:
    """Without the unexpected services of ports for which a specific check fails."""
    specific = {(g.device, g.transport, g.port) for g in found if g.check != "unexpected-service"}
    return {
        g for g in found if g.check != "unexpected-service" or (g.device, g.transport, g.port) not in specific
    }


_Found = tuple[str, str | None, int | None, str | None]


def _shared_keys(devices: Iterable[Virtual], source: str) -> Iterator[Guilt]:
    """Where several devices show one TLS key to a source."""
    shown: dict[str, set[tuple[str, int]]] = defaultdict(set)
    for device in devices:
        tls = device.lab.tls if device.lab else None
        for service in device.services if tls else ():
            if tls and service.needs_certificate and device.refusal(service, source) != "close":
                shown[tls.key or device.listed.asset_tag].add((device.listed.asset_tag, service.port))
    for places in shown.values():
        if len({tag for tag, _ in places}) > 1:
            for tag, port in places:
                yield Guilt(tag, "tls-shared-key", "tcp", port)


def _of(device: Virtual, source: str, approved: Sequence[str]) -> Iterator[_Found]:
    for service in device.services:
        if _untouched(device, service):
            continue
        if service.transport == "tcp" and service.port not in EXPECTED_TCP:
            yield "unexpected-service", "tcp", service.port, None
        refusal = device.refusal(service, source)
        if refusal != "close":
            yield from _tls(device, service)
        if refusal is None:
            yield from _protocol(service)
    yield from truth_web.found(device, source)
    if device.listed.listed:  # an inventory declares nothing of a device that it does not hold
        yield from _not_enforced(device, source)
        for number, declared in enumerate(device.listed.allow_lists, 1):
            if _admits_others(declared.entries, approved):
                yield "allow-list-too-wide", None, None, f"list {number}"


def _untouched(device: Virtual, service: Service) -> bool:
    """Raw print ports of a fragile device are not even connected to, so nothing can be found there."""
    return device.listed.listed and device.listed.fragile and service.port in RAW_PORTS


def _protocol(service: Service) -> Iterator[_Found]:
    """What a service gives away to a source that it lets in."""
    where = (service.transport, service.port)
    for check, subject in service.guilty_of():
        yield check, *where, subject
    if isinstance(service, OldTls) and service.port in TLS_PORTS:
        for check, subject in OLD_TLS:
            # Nobody relies on what a certificate says of itself, and one that signed itself is one finding.
            if not (check in OF_THE_ISSUER and service.self_signed):
                yield check, *where, subject
    yield from truth_discovery.of(service)
    if service.speaks == "telnet":
        yield "cleartext-telnet", *where, None
    if isinstance(service, Ftp) and service.port == 21 and service.variant != "demands-tls":
        yield "cleartext-ftp", *where, None
    if service.transport == "tcp" and service.port in RAW_PORTS:
        yield "cleartext-print-raw", *where, None
    if isinstance(service, Http) and service.spoken_in == "none" and service.port in HTTP_PORTS:
        leads_to_https = service.answers == "redirect" or (
            service.answers == "redirect-away" and service.to.startswith("https://")
        )
        if not leads_to_https and service.answers not in ("forbidden", "meta-refresh"):
            yield "cleartext-http-management", *where, None
    if isinstance(service, Snmp) and service.port == 161:
        yield from _snmp(service)
    if isinstance(service, Ssh):
        yield from truth_ssh.guilty(service)


def _snmp(agent: Snmp) -> Iterator[_Found]:
    where = (agent.transport, agent.port)
    answered = _default_communities(agent)
    if not answered:
        return
    for version in ("1", "2c"):
        if version in agent.versions:
            yield "snmp-cleartext-version", *where, f"SNMPv{version}"
    if agent.any_community:
        yield "snmp-default-community-read", *where, "answers any community"
    else:
        for community in answered:
            yield "snmp-default-community-read", *where, f'community "{community}"'
    if "3" not in agent.versions:
        yield "snmp-v3-missing", *where, None


def _default_communities(agent: Snmp) -> tuple[str, ...]:
    if not {"1", "2c"} & set(agent.versions):
        return ()
    return tuple(c for c in DEFAULT_COMMUNITIES if agent.any_community or c in agent.communities)


def _tls(device: Virtual, service: Service) -> Iterator[_Found]:
    """What a completed handshake shows. A port that answers 403 has completed one."""
    tls = device.lab.tls if device.lab else None
    if tls is None or not service.needs_certificate or service.port not in TLS_PORTS:
        return
    where = (service.transport, service.port)
    for version in OLD:
        if version in tls.versions:
            yield "tls-deprecated-version", *where, f"TLS {version}"
    if not {"1.2", "1.3"} & set(tls.versions):
        yield "tls-current-version-missing", *where, None
    if tls.dates in DATES:
        yield "tls-certificate-dates", *where, DATES[tls.dates]
    if tls.purpose == "client":
        yield "tls-chain-defects", *where, "not for servers"
    if tls.issuer == "self-signed" and not _pinned(device):
        yield "tls-certificate-untrusted", *where, None
    if (
        tls.issuer != "self-signed"
        and tls.names
        and device.listed.names
        and not set(tls.names) & set(device.listed.names)
    ):
        yield "tls-name-mismatch", *where, None
    # In OpenSSL's words a suite that names no key exchange has the RSA key carry the secret.
    if any(not suite.startswith(("ECDHE-", "DHE-", "TLS_")) for suite in tls.ciphers.split(":") if suite):
        yield "tls-no-forward-secrecy", *where, "static RSA"


def _pinned(device: Virtual) -> bool:
    """Whether the inventory pins the key that the device shows; only a P-256 key of the lab can be known before."""
    tls = device.lab.tls if device.lab else None
    if not (tls and device.listed.listed and device.listed.pinned_key and tls.key_type == "ec-p256"):
        return False
    return key_digest(named_key(tls.key or device.listed.asset_tag)) == device.listed.pinned_key


def _not_enforced(device: Virtual, source: str) -> Iterator[_Found]:
    for declared in device.listed.allow_lists:
        if not declared.entries or any(_holds(_bounds(e), source) for e in declared.entries):
            continue
        wanted = {where for word in declared.services for where in WORDS[word]}
        for service in device.services:
            where = (service.transport, service.port)
            if where in wanted and not _untouched(device, service) and _serves(device, service, source):
                yield "allow-list-not-enforced", *where, None


def _serves(device: Virtual, service: Service, source: str) -> bool:
    if device.refusal(service, source) is not None:
        return False
    if isinstance(service, Http | Https):
        return service.answers != "forbidden"
    if isinstance(service, Snmp):
        return "3" in service.versions or bool(_default_communities(service))
    return True


def _bounds(entry: str) -> tuple[int, int, int]:
    """IP version, first and last address of an entry."""
    if "-" in entry:
        low, high = (ip_address(part.strip()) for part in entry.split("-"))
        return low.version, int(low), int(high)
    network = ip_network(entry.strip())
    return network.version, int(network[0]), int(network[-1])


def _holds(bounds: tuple[int, int, int], address: str) -> bool:
    ip = ip_address(address)
    return bounds[0] == ip.version and bounds[1] <= int(ip) <= bounds[2]


def _admits_others(entries: Iterable[str], approved: Sequence[str]) -> bool:
    """Whether some entry holds an address that is in no approved network."""
    networks = sorted(_bounds(network) for network in approved)
    for version, first, last in map(_bounds, entries):
        for other, low, high in networks:
            if other == version and low <= first <= high:
                first = high + 1
        if first <= last:
            return True
    return False
