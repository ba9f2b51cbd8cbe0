"""A comparison as JSON, `hardenprobe.comparison/1`, written while its devices are read."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from typing import Any, BinaryIO

from hardenprobe.comparison.records import FORMAT, DeviceChange
from hardenprobe.comparison.stored import Comparison
from hardenprobe.reports import json_stream


def write(comparison: Comparison, devices: Iterable[DeviceChange], out: BinaryIO) -> None:
    """Write it; what it adds up to comes last, when all devices were read."""
    before: dict[str, Any] = {
        "format": FORMAT,
        "old": asdict(comparison.old),
        "new": asdict(comparison.new),
        "notices": comparison.notices,
        "devices": map(entry, devices),
    }
    for key, value in before.items():
        out.write(b"{" if key == "format" else b",")
        _member(out, key, value)
    out.write(b",")
    _member(out, "totals", asdict(comparison.totals))
    out.write(b"\n}\n")


def _member(out: BinaryIO, key: str, value: Any) -> None:
    out.write(b"\n ")
    json_stream.write(out, key, keep_empty=True)
    out.write(b": ")
    json_stream.write(out, value, keep_empty=True, depth=1)


def entry(change: DeviceChange) -> dict[str, Any]:
    """A device's entry; of the device itself, what tells it apart."""
    device = change.device
    return {
        "device": device.id,
        "label": device.label,
        "addresses": [one.address for one in device.addresses],
        "met": change.met,
        "told_before": change.told_before,
        "told_now": change.told_now,
        "changes": [asdict(one) for one in change.changes],
        "drift": [asdict(one) for one in change.drift],
    }
