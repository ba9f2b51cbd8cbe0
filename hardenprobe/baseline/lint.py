"""Looks a baseline over before it is used: what is wrong with it, and what in it contradicts itself."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.baseline import baseline
from hardenprobe.baseline.baseline import Baseline
from hardenprobe.checking.views.firmware import MinimumVersion
from hardenprobe.errors import FileInvalid
from hardenprobe.model import Reach
from hardenprobe.model.yaml_file import Spot
from hardenprobe.plugins.registry import Registry
from hardenprobe.scope.ports import SERVICES
from hardenprobe.standards import tls_rules
from hardenprobe.standards.segments import Segment

ALLOWED: Spot = ("expect", "unexpected-service", "allowed_tcp")


def lint(path: Path, registry: Registry) -> list[FileInvalid]:
    """Find everything that is wrong with a baseline: what could not be used first, else what contradicts itself.

    Raises:
        FileInvalid: It, or one that it extends, cannot be read at all.
    """
    found = baseline.resolve(baseline.inheritance(path), registry)
    if isinstance(found, list):
        return found
    return [
        *found.document.placeholders(),
        *(found.document.fault(spot, text) for spot, text in _contradictions(found, registry)),
    ]


Told = Iterator[tuple[Spot, str]]


def _contradictions(found: Baseline, registry: Registry) -> Told:
    yield from _head(found)
    yield from _by_severity(found)
    yield from _must_determine(found, registry)
    yield from _ports(found)
    yield from _segments(found)
    yield from _thresholds(found)
    yield from _ceilings(found)
    yield from _floors(found)


def _head(found: Baseline) -> Told:
    for key in ("baseline", "title"):
        if not getattr(found.file, key).strip():
            yield (key,), f"{key} is empty; write what the baseline is called"
    if not any(source.strip() for source in found.file.sources):
        yield ("sources",), "sources names nothing; name the policy or standard that the baseline follows"
    if not found.file.kinds:
        yield ("for",), "for names no kind of device, so that every device is one that it is not meant for"
    try:
        date.fromisoformat(found.dated)
    except ValueError:
        yield ("dated",), f"dated is {found.dated!r}; write year, month and day such as '2026-11-25'"


def _by_severity(found: Baseline) -> Told:
    """A graver risk may not wait longer than a lesser one."""
    for spot, days in (
        (("exceptions", "longest_days"), asdict(found.file.exceptions.longest_days)),
        (("due_days",), asdict(found.file.due_days)),
    ):
        for graver, lesser in pairwise(("high", "medium", "low")):
            longer, shorter = days[graver], days[lesser]
            if longer is not None and shorter is not None and longer > shorter:
                text = f"{'.'.join(spot)} gives {graver} {longer} days and {lesser} only {shorter}; a graver finding may wait no longer"
                yield _mendable(found, (*spot, graver), (*spot, lesser)), text


def _must_determine(found: Baseline, registry: Registry) -> Told:
    for i, name in enumerate(found.file.must_determine):
        check, spot = registry.checks[name], ("must_determine", i)
        if name not in found.settings:
            yield spot, f"{name} must be determined and is not selected; give its settings under `expect`"
        elif check.reach is not None and not Reach.ASK.admits(check.reach):
            yield (
                spot,
                f"{name} must be determined and needs reach {check.reach}, which a scan has only by grant; leave it out",
            )


def _ports(found: Baseline) -> Told:
    allowed = _setting(found, "unexpected-service", "allowed_tcp", ())
    for i, port in enumerate(allowed):
        if port not in found.tcp_ports:
            text = f"TCP port {port} is allowed and never scanned; add it to ports.tcp, or remove it here"
            yield (*ALLOWED, i), text
    if "unexpected-service" not in found.settings:
        return
    for i, service in enumerate(found.file.allowed_services):
        ports = _tcp(service)
        if ports and not ports & set(allowed):
            text = (
                f"{service} is allowed here and forbidden by unexpected-service, whose allowed_tcp has none of its ports "
                f"({_listed(ports)}); add one there, or leave it out here"
            )
            yield ("allowed_services", i), text


def _segments(found: Baseline) -> Told:
    segments: tuple[Segment, ...] = _setting(found, "segment-reach", "segments", ())
    allowed = set(_setting(found, "unexpected-service", "allowed_tcp", found.tcp_ports))
    before = AddressSet()
    for i, segment in enumerate(segments):
        spot: Spot = ("expect", "segment-reach", "segments", i)
        for service in sorted(set(segment.forbidden) & set(segment.needed)):
            yield spot, f"segment {segment.name!r} both forbids and needs {service}; leave one out"
        for service in segment.needed:
            ports = _tcp(service)
            if ports and not ports & set(found.tcp_ports):
                text = f"segment {segment.name!r} needs {service}, whose ports ({_listed(ports)}) are never scanned; "
                yield spot, text + "add one to ports.tcp"
            elif ports and not ports & allowed:
                text = f"segment {segment.name!r} needs {service}, which unexpected-service forbids; "
                yield spot, text + f"add one of {_listed(ports)} to its allowed_tcp"
        networks = AddressSet.of(segment.networks)
        if not (segment.forbidden or segment.needed):
            yield (
                spot,
                f"segment {segment.name!r} forbids nothing and needs nothing; say what, or take it out",
            )
        if not networks:
            yield spot, f"segment {segment.name!r} names no network, so no device is ever in it; name one"
        elif not networks - before:
            yield (
                spot,
                f"segment {segment.name!r} lies inside those above it, and the first is taken; put it higher",
            )
        before = before | networks


def _thresholds(found: Baseline) -> Told:
    days = _setting(found, "tls-certificate-dates", "ending_days", 0)
    lifetime = _setting(found, "tls-certificate-lifetime", "max_days", None)
    if lifetime is not None and days >= lifetime:
        text = f"ending_days is {days} and the longest lifetime {lifetime} days: every certificate would be about to end"
        spots = [
            ("expect", "tls-certificate-dates", "ending_days"),
            ("expect", "tls-certificate-lifetime", "max_days"),
        ]
        yield _mendable(found, *spots), f"{text}; lower the first or raise the second"
    minimum = _setting(found, "tls-current-version-missing", "minimum", None)
    rules = _setting(found, "tls-deprecated-version", "rules", None)
    said = tls_rules.load(rules).versions.get(minimum) if rules and minimum else None
    if said and said.say == "must-not":
        text = f"minimum is {minimum}, which {rules} forbids ({said.source}); raise it"
        yield ("expect", "tls-current-version-missing", "minimum"), text


def _ceilings(found: Baseline) -> Told:
    timing, needed = found.timing, 2 * len(found.tcp_ports) + 1
    if timing.connections < needed:
        text = (
            f"gentleness.connections is {timing.connections}, and looking at {len(found.tcp_ports)} TCP ports alone may take "
            f"{needed}; raise it, or look at fewer ports"
        )
        yield ("gentleness", "connections"), text
    longest = timing.connect + timing.reply
    if timing.seconds <= longest:
        text = f"gentleness.seconds is {timing.seconds:g}, no more than one connection and reply may take ({longest:g}); raise it"
        yield ("gentleness", "seconds"), text


def _floors(found: Baseline) -> Told:
    floors: tuple[MinimumVersion, ...] = _setting(found, "firmware-below-floor", "floors", ())
    first: dict[tuple[str, str], int] = {}
    for i, floor in enumerate(floors):
        k = first.setdefault((floor.model, floor.component), i)
        if k != i:
            text = f"model {floor.model!r} has a floor for its {floor.component} already: {floors[k].floor}; keep one"
            yield ("expect", "firmware-below-floor", "floors", i), text


def _mendable(found: Baseline, *spots: Spot) -> Spot:
    """Of places that contradict each other, the first that is in the validated file and not in one that it extends."""
    document = found.document
    return next((one for one in spots if one in document.lines and one not in document.files), spots[0])


def _setting(found: Baseline, check: str, key: str, otherwise: Any) -> Any:
    return getattr(found.settings.get(check), key, otherwise)


def _tcp(service: str) -> set[int]:
    return {port for transport, port in SERVICES.get(service, ()) if transport == "tcp"}


def _listed(ports: set[int]) -> str:
    return ", ".join(map(str, sorted(ports)))
