"""Where the lab's inventory and network disagree, what its clocks and firmware are worth, and how its lists are written.

Like all of the truth, it is derived from the declarations; no socket is opened and no check is asked.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from ipaddress import ip_address, ip_network

from hardenprobe.demo_lab import truth_snmp
from hardenprobe.demo_lab.declarations import Virtual
from hardenprobe.demo_lab.service import Service
from hardenprobe.demo_lab.service_http import Http
from hardenprobe.demo_lab.service_snmp import Snmp

SPOKEN_CLEAR, SPOKEN_TLS = frozenset({80, 631, 8080}), frozenset({443, 631, 8443})
WORDS = {
    "http": (80, 8080), "https": (443, 8443), "telnet": (23,), "ssh": (22,), "ftp": (21,), "ipp": (631,), "lpd": (515,),
    "raw-print": (9100,),
}  # fmt: skip
Found = tuple[str, str, str | None, int | None, str | None]
_Found = tuple[str, str | None, int | None, str | None]


def found(devices: Iterable[Virtual], source: str) -> Iterator[Found]:
    """Device label and finding of everything in this module, for a scan of reach ask without secrets."""
    devices = tuple(devices)
    for device in devices:
        label = device.listed.asset_tag if device.listed.listed else device.listed.addresses[0]
        for one in _of(device, source):
            yield label, *one
    yield from _shared_serials(devices, source)
    engines: dict[str, list[str]] = defaultdict(list)
    for device in devices:
        if device.lab and any(
            isinstance(s, Snmp) and "3" in s.versions and device.refusal(s, source) is None
            for s in device.services
        ):
            engines[device.lab.engine or device.listed.asset_tag].append(device.listed.asset_tag)
    for labels in engines.values():
        for label in labels if len(labels) > 1 else ():
            yield label, "snmp-shared-engine-id", "udp", 161, None


def _shared_serials(devices: Iterable[Virtual], source: str) -> Iterator[Found]:
    """Devices that state one serial number, by SNMP where that is answered, else by IPP."""
    holders: dict[str, list[tuple[str, str, int]]] = defaultdict(list)
    for device in devices:
        if device.lab is None or not device.listed.serial:
            continue
        stated = [
            ("udp", service.port) if isinstance(service, Snmp) else ("tcp", service.port)
            for service in device.services
            if device.refusal(service, source) is None
            and (
                service.speaks == "ipp"
                or (isinstance(service, Snmp) and truth_snmp.answered(service) and not service.narrow_view)
            )
        ]
        if stated:
            label = device.listed.asset_tag if device.listed.listed else device.listed.addresses[0]
            transport, port = max(stated)  # "udp" before "tcp"
            holders[device.listed.serial].append((label, transport, port))
    for serial, found in holders.items():
        for label, transport, port in found if len(found) > 1 else ():
            yield label, "identity-shared", transport, port, serial


def _of(device: Virtual, source: str) -> Iterator[_Found]:
    if device.lab is None:
        if device.listed.listed:
            yield "device-not-seen", None, None, None
        return
    if not device.listed.listed:
        yield "device-not-listed", None, None, None
    for service in device.services:
        refusal = device.refusal(service, source)
        if isinstance(service, Snmp) and service.port == 161 and refusal is None:
            yield from truth_snmp.of(device, service)
            if _old(device, service):
                yield "firmware-below-floor", "udp", 161, "firmware"
        if refusal != "close" and _tells_the_time(service) and abs(device.lab.clock_ahead_s) > 300:
            yield "clock-skew", "tcp", service.port, "Date"
    if device.listed.listed:
        yield from _locked_out(device, source)
        for number, declared in enumerate(device.listed.allow_lists, 1):
            for position in _flawed(declared.copied or declared.entries):
                yield "allow-list-malformed", None, None, f"list {number}, entry {position}"


def _tells_the_time(service: Service) -> bool:
    if service.speaks not in ("http", "https", "ipp"):
        return False
    clear = service.spoken_in != "tls" and service.port in SPOKEN_CLEAR
    return clear or (service.spoken_in != "none" and service.port in SPOKEN_TLS)


def _old(device: Virtual, agent: Snmp) -> bool:
    """Below the floors that the lab's baseline has for the lab's models."""
    if device.lab is None or not truth_snmp.answered(agent) or agent.narrow_view:
        return False
    stated = device.lab.firmware
    if device.lab.model.endswith("series D7"):
        return date.fromisoformat(stated) < date(2025, 1, 1)
    for series, floor in (("series K2", (5, 2, 0)), ("series L4", (4, 8, 0))):
        if device.lab.model.endswith(series):
            return tuple(map(int, stated.split("."))) < floor
    return False


def _locked_out(device: Virtual, source: str) -> Iterator[_Found]:
    lists = [d for d in device.listed.allow_lists if d.entries]
    shut = {word for d in lists if not any(_admits(e, source) for e in d.entries) for word in d.services}
    ports = {p for d in lists for word in d.services if word not in shut for p in WORDS.get(word, ())}
    for service in device.services:
        if service.transport != "tcp" or service.port not in ports:
            continue
        refusal = device.refusal(service, source)
        if refusal == "close" or (isinstance(service, Http) and (refusal or service.answers == "forbidden")):
            yield "allow-list-locks-out", "tcp", service.port, None


def _admits(entry: str, source: str) -> bool:
    bounds = _bounds(entry)
    ip = ip_address(source)
    return bounds is not None and bounds[0] == ip.version and bounds[1] <= int(ip) <= bounds[2]


def _bounds(entry: str) -> tuple[int, int, int] | None:
    """IP version, first and last address; None for what cannot be read strictly."""
    try:
        if "-" in entry:
            low, high = (ip_address(part.strip()) for part in entry.split("-"))
            return low.version, int(low), int(high)
        if re.search(r"/0\.", entry):
            return None  # a mask of the bits that may differ
        network = ip_network(entry)
    except ValueError:
        return None
    return network.version, int(network[0]), int(network[-1])


def _flawed(entries: Sequence[str]) -> Iterator[int]:
    """The positions of entries that cannot be read, repeat an earlier one, or lie inside another."""
    read = [_bounds(entry) for entry in entries]
    for i, one in enumerate(read):
        others = [other for k, other in enumerate(read) if other and k != i and (k < i or other != one)]
        if one is None or any(o[0] == one[0] and o[1] <= one[1] and one[2] <= o[2] for o in others):
            yield i + 1
