"""What verdicts rest on: baselines, rule sets and trust anchors."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hardenprobe.baseline import baseline
from hardenprobe.errors import HardenprobeError, StoreRefused, UsageError
from hardenprobe.evidence.source import Source
from hardenprobe.model import Named
from hardenprobe.plugins import registry
from hardenprobe.standards import rule_files
from hardenprobe.standards.rule_files import shipped_baselines

if TYPE_CHECKING:
    from hardenprobe.evidence.bag import Payload
    from hardenprobe.evidence.source import Wanted

_ANCHOR = re.compile(r'"anchor":("(?:[^"\\]|\\.)*")')


def baselines(source: Source, wanted: Wanted, bag: Payload) -> None:
    """Write each baseline that judged a device, with those that it extends, as they were kept with the review.

    Of a review that kept none, those whose hash is still that of the review; which is absent is said.
    """
    used: dict[Named, int] = {}
    for one in source.devices():
        if one.device.baseline:
            used[one.device.baseline] = used.get(one.device.baseline, 0) + 1
    kept = {one.of for one in source.outline.head.inputs if one.role == "baseline"}
    files = {} if kept else _files(rule.baseline for rule in source.outline.head.baselines)
    listed: list[dict[str, Any]] = []
    for named, devices in sorted(used.items(), key=lambda item: (item[0].name, item[0].hash)):
        found = dict(_kept(source, "baseline", named.hash)) or {
            plain(path.name): path.read_bytes() for path in files.get(named.hash, ())
        }
        for name, data in found.items():
            with bag.file(f"baselines/{named.hash[:16]}/{name}") as out:
                out.write(data)
        why = None if found else "its file has changed since, or is not at hand"
        listed.append({"name": named.name, "hash": named.hash, "devices": devices, "absent": why})
    bag.json("baselines/baselines.json", listed)


def _kept(source: Source, role: str, of: str | None = None) -> Iterator[tuple[str, bytes]]:
    """The files of a role that are at hand, by a plain name."""
    for one in source.outline.head.inputs:
        if one.role == role and one.of == of:
            try:
                yield plain(one.name), source.used(one)
            except StoreRefused:
                raise
            except UsageError:  # it is not at hand, which `inputs` says
                continue


def inputs(source: Source, wanted: Wanted, bag: Payload) -> None:
    """Write the plan, the scope file and the inventory, and list every file that the review rests on."""
    listed: list[dict[str, Any]] = []
    for one in source.outline.head.inputs:
        absent = None
        try:
            data = source.used(one)
            if one.role in ("plan", "scope", "inventory"):
                with bag.file(f"inputs/{one.role}-{plain(one.name)}") as out:
                    out.write(data)
        except StoreRefused:
            raise
        except UsageError as exc:
            absent = str(exc)
        listed.append({**asdict(one), "absent": absent})
    bag.json("inputs/inputs.json", listed)


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
    kept = dict(_kept(source, "rule-set"))
    shipped = {path.name: path.read_bytes() for path in rule_files.shipped().values()}
    for name, data in (kept or shipped).items():
        with bag.file(f"rule-sets/{plain(name)}") as out:
            out.write(data)


def anchors(source: Source, wanted: Wanted, bag: Payload) -> None:
    """Write the anchors that were trusted, and which anchors the review's chains led to.

    Raises:
        UsageError: One is given that the review did not trust.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives.serialization import Encoding

    from hardenprobe.probes.pki.certificates import TrustAnchors

    reached = {json.loads(found) for row in source.rows() for found in _ANCHOR.findall(row.observations)}
    given = TrustAnchors.load(wanted.anchors, system=False).certificates
    kept = b"".join(data for _, data in _kept(source, "trust-anchors"))
    trusted = x509.load_pem_x509_certificates(kept) if kept else ()
    for one in given:
        if kept and one not in trusted:
            raise UsageError(
                f"--trust-anchor: {one.subject.rfc4514_string()} is none of the anchors that the review kept"
            )
        if not kept and one.subject.rfc4514_string() not in reached:
            raise UsageError(
                f"--trust-anchor: no certificate of the review leads to {one.subject.rfc4514_string()}, and the review kept no "
                "anchors; leave it out"
            )
    written = kept or b"".join(
        one.public_bytes(Encoding.PEM) for one in given
    )  # of the files, what is no key
    why = None if written else "the review does not keep them; name those of the scan with --trust-anchor"
    bag.json("trust-anchors/trust-anchors.json", {"paths_led_to": sorted(reached), "absent": why})
    if written:
        with bag.file("trust-anchors/trust-anchors.pem") as out:
            out.write(written)


def plain(name: str) -> str:
    """A name that is safe as one step of a path in a bag."""
    return re.sub(r"[^A-Za-z0-9._-]", "-", name).lstrip("._-") or "file"
