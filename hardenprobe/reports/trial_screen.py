"""A check that was tried, for a terminal of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import fields
from typing import Any

from hardenprobe.devkit.trial import Trial
from hardenprobe.facts import ProbeFault
from hardenprobe.model import Device, Observation, Result
from hardenprobe.reports.text import endpoint_text, reason_text, visible

WIDTH = 78
SHOWN = 12  # observations or results of one device that are worth reading
DEVICES = 5


def lines(tried: Trial) -> Iterator[str]:
    """What it read, what it says, what it breaks of the contract."""
    check = tried.check
    yield from _wrapped(f"{check.id}: {check.title}")
    yield from _wrapped(f"from {tried.origin}")
    if tried.against is not None:
        yield from _wrapped(f"against {tried.against}")
        said = {device.id: [r for r in tried.results if r.device == device.id] for device, _ in tried.read}
        for device, read in tried.read[:DEVICES]:
            yield from _device(device, read, said[device.id])
        if len(tried.read) > DEVICES:
            yield f"and {len(tried.read) - DEVICES} more devices"
        if not tried.read:
            yield from ("", "No device answered, so nothing was judged.")
    if tried.unlooked:
        yield from ("", "What was not looked at")
        for told in tried.unlooked:
            yield from _wrapped(visible(told), "  - ")
    if tried.frames:
        yield from ("", "Where it broke")
        for frame in tried.frames:
            yield from _wrapped(visible(frame, 200), "  - ")
        if tried.log:
            yield from _wrapped(f"The whole tracebacks are in {tried.log}.")
    yield from ("", "The contract")
    for complaint in tried.complaints:
        yield from _wrapped(visible(complaint), "  - ")
    if not tried.complaints:
        yield "  is kept"


def _device(device: Device, read: tuple[Observation[Any], ...], results: list[Result]) -> Iterator[str]:
    yield from ("", f"{visible(device.label)}: what it read")
    proof = {id for result in results for id in result.observations}
    alike: dict[str, list[str]] = {}
    for seen in sorted(read, key=lambda seen: seen.id not in proof):  # what the verdict rests on comes first
        said = (
            f"not obtained, probe {visible(seen.facts.probe)}: {visible(seen.facts.text)}"
            if isinstance(seen.facts, ProbeFault)
            else f"{seen.kind}, {_facts(seen.facts)}"
        )
        alike.setdefault(said, []).append(endpoint_text(seen.endpoint, device))
    for said, places in list(alike.items())[:SHOWN]:
        yield from _wrapped(f"{said}: {', '.join(dict.fromkeys(places))}", "  - ")
    if len(alike) > SHOWN:
        yield f"    and {len(alike) - SHOWN} more"
    if not read:
        yield "  nothing of the kinds that it names in `reads`"
    yield from ("", f"{visible(device.label)}: what it says")
    for result in results[:SHOWN]:
        subject = f", {visible(result.subject)}" if result.subject else ""
        yield from _wrapped(f"{result.result}, {endpoint_text(result.endpoint, device)}{subject}", "  - ")
        yield from _wrapped(visible(result.observed.text), "    observed  ")
        yield from _wrapped(visible(result.expected.text), "    expected  ")
        if result.reason:
            yield from _wrapped(f"{result.reason}: {reason_text(result.reason)}", "    reason    ")
        if result.vector:
            yield from _wrapped(f"{result.score} {result.severity}, {result.vector}", "    score     ")
    if len(results) > SHOWN:
        yield f"    and {len(results) - SHOWN} more"
    if not results:
        yield "  nothing"


def _facts(facts: Any) -> str:
    """The fields that say something, in the order of the record."""
    told = ((f.name, getattr(facts, f.name)) for f in fields(facts) if getattr(facts, f.name) != f.default)
    return ", ".join(f"{name} {visible(value, 60)}" for name, value in told) or "as by default"


def _wrapped(text: str, first: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=" " * len(first)) or [first]
