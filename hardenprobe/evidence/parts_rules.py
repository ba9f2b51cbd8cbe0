"""What verdicts rest on: baselines, rule sets and trust anchors."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hardenprobe.baseline import baseline
from hardenprobe.errors import HardenprobeError
from hardenprobe.evidence.source import Source
from hardenprobe.model import Named
from hardenprobe.plugins import registry
from hardenprobe.standards import rule_files
from hardenprobe.standards.rule_files import shipped_baselines

if TYPE_CHECKING:
    from hardenprobe.evidence.bag import Payload
    from hardenprobe.evidence.parts import Wanted

_ANCHOR = re.compile(r'"anchor":("(?:[^"\\]|\\.)*")')


def baselines(source: Source, wanted: Wanted, bag: Payload) -> None:
    """Write each baseline whose hash is still that of the review, with those that it extends; say which is not."""
    used: dict[Named, int] = {}
    for one in source.devices():
        if one.device.baseline:
            used[one.device.baseline] = used.get(one.device.baseline, 0) + 1
    files = _files(rule.baseline for rule in source.outline.head.baselines)
    listed: list[dict[str, Any]] = []
    for named, devices in sorted(used.items(), key=lambda item: (item[0].name, item[0].hash)):
        paths = files.get(named.hash, ())
        for path in paths:
            with bag.file(f"baselines/{named.hash[:16]}/{_plain(path.name)}") as out:
                out.write(path.read_bytes())
        why = None if paths else "its file has changed since, or is not at hand"
        listed.append({"name": named.name, "hash": named.hash, "devices": devices, "absent": why})
    bag.json("baselines/baselines.json", listed)


def _files(names: Any) -> dict[str, tuple[Path, ...]]:
    checks = registry.load()
    found: dict[str, tuple[Path, ...]] = {}
    for name in dict.fromkeys([*names, *shipped_baselines()]):
        try:
            path = baseline.find(name)
            chain = baseline.inheritance(path)
            found.setdefault(baseline.read(path, checks).hash, tuple(Path(one.file) for one in chain))
        except (HardenprobeError, OSError):
            continue  # said of every device that it judged
    return found


def rule_sets(source: Source, wanted: Wanted, bag: Payload) -> None:
    """Write every rule set that ships, and name those that results rest on."""
    used = {
        (result.rule_set.name, result.rule_set.date)
        for one in source.devices()
        for result in one.results
        if result.rule_set
    }
    bag.json("rule-sets/rule-sets.json", [{"name": name, "date": date} for name, date in sorted(used)])
    for name, path in rule_files.shipped().items():
        with bag.file(f"rule-sets/{_plain(name)}.yaml") as out:
            out.write(path.read_bytes())


def anchors(source: Source, wanted: Wanted, bag: Payload) -> None:
    """Write the anchors that were named, and which anchors the review's chains led to."""
    from cryptography.hazmat.primitives.serialization import Encoding

    from hardenprobe.probes.pki.certificates import TrustAnchors

    reached = {json.loads(found) for row in source.rows() for found in _ANCHOR.findall(row.observations)}
    kept = TrustAnchors.load(wanted.anchors, system=False)
    why = (
        None
        if kept.certificates
        else "the review does not keep them; name those of the scan with --trust-anchor"
    )
    bag.json("trust-anchors/trust-anchors.json", {"paths_led_to": sorted(reached), "absent": why})
    if kept.certificates:
        with bag.file("trust-anchors/trust-anchors.pem") as out:  # of the files, what is no key
            out.writelines(one.public_bytes(Encoding.PEM) for one in kept.certificates)


def _plain(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9._-]", "-", name).lstrip("._-") or "file"
