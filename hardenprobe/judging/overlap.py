"""One weakness of a device is one finding, and its remediation is one that the device can carry out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from hardenprobe.facts import TcpPort
from hardenprobe.model import Observation, Result, Said, Word
from hardenprobe.remediation.fit import fitting

Port = tuple[str, str, str, int]
"""Device, address, transport, port."""


def counted_once(results: Iterable[Result], general: frozenset[str]) -> tuple[Result, ...]:
    """Make information of a general finding where a specific check fails for the same port.

    Args:
        general: The ids of the general remediations; a finding that names one is a general finding.
    """
    given = tuple(results)
    specific: dict[Port, str] = {}
    for result in given:
        if result.remedy and result.remedy not in general and (port := _port(result)):
            specific.setdefault(port, result.check)
    return tuple(
        _information(result, specific[port])
        if result.remedy in general and (port := _port(result)) in specific and port
        else result
        for result in given
    )


def fitted(
    results: Iterable[Result], observations: Mapping[str, Iterable[Observation[Any]]]
) -> tuple[Result, ...]:
    """Give each finding the remediation that fits its device.

    Args:
        observations: Of each device.
    """
    given = tuple(results)
    by_device: defaultdict[str, list[Result]] = defaultdict(list)
    for result in given:
        by_device[result.device].append(result)
    instead = {
        device: fitting(
            found,
            {
                o.endpoint.port
                for o in observations.get(device, ())
                if isinstance(o.facts, TcpPort) and o.endpoint
            },
        )
        for device, found in by_device.items()
    }
    return tuple(
        replace(result, remedy=instead[result.device].get(result.remedy, result.remedy))
        if result.remedy
        else result
        for result in given
    )


def _information(result: Result, check: str) -> Result:
    text = f"{result.observed.text}; counted once, as {check}"
    return replace(
        result,
        result=Word.INFORMATIONAL,
        score=None,
        severity=None,
        vector=None,
        remedy=None,
        observed=Said(text=text, value=result.observed.value),
    )


def _port(result: Result) -> Port | None:
    where = result.endpoint
    return (result.device, where.address, where.transport, where.port) if where else None
