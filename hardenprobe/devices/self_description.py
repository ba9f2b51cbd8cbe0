"""What a device states of itself: serial, names and keys, make and model, firmware, and what kind of device it is.

Each value keeps the protocol that it came by. The kind is taken only from what standards define to mean it, never from a
maker's name; what it is for people to know (a label printer, a plotter) only the inventory says.

A Telnet or FTP greeting identifies nothing, not even weakly: it is free text, which many makers write the same on every device of
a model (RFC 854 and RFC 959 define no name in it), and it is gone once the service is switched off as advised. Two devices of a
model would be taken for one that moved.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from hardenprobe.facts import (
    HttpAnswer,
    IppPrinter,
    MdnsAnswer,
    ScanServiceAnswer,
    SnmpAnswer,
    SnmpEngine,
    SnmpObjects,
    SnmpUser,
    SshHostKey,
    TlsPort,
)
from hardenprobe.facts.snmp import HR_DEVICE_DESCR, PRT_SERIAL, SYS_DESCR, SYS_NAME
from hardenprobe.model import Device, Identity, Observation

MODEL_KINDS = ("make-model", "description", "device-id", "title", "subject")
"""The kinds of identity that name a make or a model, the most telling first."""

_SOURCES = {"inventory": 0, "snmp": 1}  # those that are believed first
MOST_OF_A_KIND = (
    8  # texts of one kind that are kept of a device; each of 16 web ports may have a title of its own
)
HR_DEVICE_PRINTER = "1.3.6.1.2.1.25.3.1.5"  # RFC 2790, hrDeviceTypes
PRINT_JOB = 0x0002  # RFC 8011 section 5.4.15
SCAN_FEATURE = "scan"  # ipp-features-supported; common practice (no published requirement)
# IANA Service Name and Transport Protocol Port Number Registry.
PRINTS_BY_DNS_SD = frozenset({"_ipp._tcp", "_ipps._tcp", "_printer._tcp", "_pdl-datastream._tcp"})
SCANS_BY_DNS_SD = frozenset({"_uscan._tcp", "_uscans._tcp", "_scanner._tcp"})

# Texts in place of a serial number; common practice (no published requirement). A string of one character is another.
PLACEHOLDERS = frozenset(
    {"", "n/a", "na", "none", "null", "unknown", "not set", "default", "serial", "serial number"}
)


def identities(observations: Iterable[Observation[Any]]) -> tuple[Identity, ...]:
    """Everything that was stated, each value once."""
    found: dict[Identity, None] = {}
    count: dict[str, int] = {}
    host_key = False
    for seen in observations:
        facts = seen.facts
        if isinstance(facts, SshHostKey):
            # The first of several, in the probe's fixed order of key types, so that an id stays what it is.
            if host_key or not (facts.proven and facts.sha256):
                continue
            host_key = True
        for one in _of(facts):
            if one not in found and count.get(one.kind, 0) < MOST_OF_A_KIND:
                count[one.kind] = count.get(one.kind, 0) + 1
                found[one] = None
    return tuple(found)


def make_model(stated: Iterable[Identity]) -> str | None:
    """What a device is called in print: by the inventory, else its model by SNMP or IPP, else what its system says."""
    telling = [i for i in stated if i.kind in MODEL_KINDS[:3]]
    best = min(telling, key=lambda i: (MODEL_KINDS.index(i.kind), _SOURCES.get(i.source, 2)), default=None)
    return best.value if best else None


def device_kind(stated: Iterable[Identity]) -> str:
    """printer, scanner, multifunction for both, or unknown."""
    hints = {i.value for i in stated if i.kind == "device-kind"}
    return "multifunction" if len(hints) > 1 else next(iter(hints), "unknown")


def calls_itself(device: Device, text: str) -> bool:
    """Tell whether a device names a text as its make or model, by any protocol; letter case does not count."""
    said = [i.value for i in device.identity if i.kind in MODEL_KINDS]
    return any(text.lower() in value.lower() for value in [device.make_model or "", *said])


def serial_of(text: str) -> str:
    """A serial number that tells devices apart; "" for what makers leave in the place of one."""
    serial = text.strip()
    return "" if serial.lower() in PLACEHOLDERS or len(set(serial)) < 2 else serial


def _of(facts: Any) -> Iterator[Identity]:
    if isinstance(facts, SnmpAnswer | SnmpUser) and facts.values:
        yield from _of_snmp(facts.values)
    elif isinstance(facts, SnmpObjects):
        yield from _weak("make-model", "snmp", facts.model)
        yield from _weak("description", "snmp", facts.description)
        if HR_DEVICE_PRINTER in facts.device_types or facts.channels:  # RFC 3805: prtChannelTable
            yield from _weak("device-kind", "snmp", "printer")
    elif isinstance(facts, SnmpEngine) and facts.engine_id:
        yield Identity(kind="engine-id", value=facts.engine_id, source="snmp", strength="medium")
    elif isinstance(facts, TlsPort) and facts.chains and facts.chains[0].certificates:
        leaf = facts.chains[0].certificates[0]
        yield from _weak("tls-key", "tls", leaf.spki_sha256)
        yield from _weak("subject", "tls", leaf.subject)
    elif isinstance(facts, SshHostKey) and facts.sha256:
        yield Identity(kind="host-key", value=facts.sha256, source="ssh", strength="medium")
    elif isinstance(facts, IppPrinter):
        yield from _of_ipp(facts)
    elif isinstance(facts, HttpAnswer):
        yield from _weak("title", "http", facts.title)
    elif isinstance(facts, ScanServiceAnswer) and facts.capabilities:
        yield from _weak("device-kind", "http", "scanner")
    elif isinstance(facts, MdnsAnswer) and facts.says:
        services = {name.lower().removesuffix(".local") for name in facts.says.split(", ")}
        yield from _weak("device-kind", "mdns", "printer" if services & PRINTS_BY_DNS_SD else None)
        yield from _weak("device-kind", "mdns", "scanner" if services & SCANS_BY_DNS_SD else None)


def _of_snmp(values: dict[str, str]) -> Iterator[Identity]:
    if serial := serial_of(values.get(PRT_SERIAL, "")):
        yield Identity(kind="serial", value=serial, source="snmp", strength="strong")
    yield from _weak("name", "snmp", values.get(SYS_NAME))
    yield from _weak("make-model", "snmp", values.get(HR_DEVICE_DESCR))
    yield from _weak("description", "snmp", values.get(SYS_DESCR))


def _of_ipp(facts: IppPrinter) -> Iterator[Identity]:
    if serial := serial_of(facts.serial or ""):
        yield Identity(kind="serial", value=serial, source="ipp", strength="strong")
    if facts.uuid:
        yield Identity(kind="printer-uuid", value=facts.uuid, source="ipp", strength="medium")
    yield from _weak("make-model", "ipp", facts.make_and_model)
    yield from _weak("device-id", "ipp", facts.device_id)
    for name, version in facts.firmware_by_name:
        yield from _weak("firmware", "ipp", f"{name} {version}")
    scans = SCAN_FEATURE in facts.features
    if PRINT_JOB in facts.operations or (not scans and (facts.formats or facts.scaling)):
        yield from _weak("device-kind", "ipp", "printer")
    if scans:
        yield from _weak("device-kind", "ipp", "scanner")


def _weak(kind: str, source: str, value: str | None) -> Iterator[Identity]:
    if value and value.strip():
        yield Identity(kind=kind, value=value.strip(), source=source, strength="weak")
