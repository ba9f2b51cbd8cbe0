"""Findings of a stored review that are to be asked about again, with the devices that they are about."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from hardenprobe.checking.check import Fleet
from hardenprobe.errors import UnknownName, UsageError, clip
from hardenprobe.model import Device, Observation, Result, Review, Word
from hardenprobe.model.document import decode_results
from hardenprobe.model.rows import Part, read_device, read_observations
from hardenprobe.plugins.registry import Registry
from hardenprobe.store.device_rows import pages
from hardenprobe.store.rejudge import fleets, reading
from hardenprobe.store.store import Store

KNOWN = 10_000  # findings that are looked through for one that looks like a misspelt key


@dataclass(frozen=True, kw_only=True)
class Subject:
    """A device of the earlier review, with what it showed.

    Attributes:
        findings: Those of it that are asked about again, one for each vantage point that had it.
        failed: Keys of all that failed of it, whether or not it was named.
        compared: Ids of checks by which another device's finding is compared with this one.
    """

    device: Device
    observations: tuple[Observation[Any], ...]
    findings: tuple[Result, ...] = ()
    failed: frozenset[str] = frozenset()
    compared: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class FindingSelection:
    """Findings of a stored review.

    Attributes:
        review: Without its devices, observations and results.
    """

    review: Review
    subjects: tuple[Subject, ...]

    @property
    def findings(self) -> tuple[Result, ...]:
        """Every one, device after device."""
        return tuple(one for subject in self.subjects for one in subject.findings)


def pick(kept: Store, name: str, wanted: Sequence[str]) -> FindingSelection:
    """Find findings by their keys, or the unique beginnings of those; without any, all open ones.

    Args:
        name: Of the review, as for `Store.find`.

    Raises:
        UsageError: There is no such review or finding, several begin so, or none is open.
        StoreRefused: The review cannot be read.
    """
    review = kept.find(name)
    met: dict[str, set[str]] = {text: set() for text in wanted}
    sound: dict[str, str] = {}  # what was named, and is no finding
    known: list[str] = []
    subjects = []
    for part in kept.parts(review):
        with reading(kept, review):
            chosen = []
            every = set()
            for entry in json.loads(part.results):
                key, failed = str(entry["finding"]), entry["result"] == Word.FAIL
                meant = [text for text in met if text and key.startswith(text)]
                if failed:
                    every.add(key)
                    for text in meant:
                        met[text].add(key)
                    known += [key] if len(known) < KNOWN else []
                else:
                    sound |= dict.fromkeys(meant, f"{entry['check']}, {entry['result']}")
                if failed and (meant or (not met and not entry["exception"])):
                    chosen.append(entry)
            if chosen:
                subjects.append(replace(_subject(part, decode_results(chosen)), failed=frozenset(every)))
    for text, keys in met.items():
        if len(keys) > 1:
            raise UsageError(f"{len(keys)} findings begin with {clip(text)}; write more of the id")
        if not keys and text in sound:
            raise UsageError(f"{clip(text)} of review {review} is no finding: {sound[text]}")
        if not keys:
            see = f"hardenprobe report {review} --format csv -o FILE"
            raise UnknownName(f"finding in review {review} that begins with", text, known, see=see)
    if not subjects:
        raise UsageError(f"review {review} has no open finding; there is nothing to recheck")
    return FindingSelection(review=kept.outline(review), subjects=tuple(subjects))


def with_others(kept: Store, picked: FindingSelection, registry: Registry) -> FindingSelection:
    """Add the devices that findings compare with: whether a key is shared shows only in both of them together.

    Raises:
        StoreRefused: The review cannot be read.
    """
    review = picked.review.head.id
    if not any(
        registry.checks[one.check].compares for one in picked.findings if one.check in registry.checks
    ):
        return picked
    every = fleets(kept, review, picked.review, registry)
    others: dict[str, set[str]] = {}
    for subject in picked.subjects:
        for finding in subject.findings:
            for one in _sharing(subject, finding, registry, every[finding.vantage]):
                others.setdefault(one, set()).add(finding.check)
    here = [replace(one, compared=tuple(sorted(others.pop(one.device.id, ())))) for one in picked.subjects]
    rows = kept.rows(review) if others else {}
    for page in pages(sorted(rows[device] for device in others)):
        for part in kept.some(review, page):
            with reading(kept, review):
                here.append(replace(_subject(part, ()), compared=tuple(sorted(others[part.device]))))
    return replace(picked, subjects=tuple(here))


def _sharing(subject: Subject, finding: Result, registry: Registry, fleet: Fleet) -> set[str]:
    """The other devices that show what a finding says is shared."""
    return {
        other
        for shared in registry.checks[finding.check].compares
        for seen in subject.observations
        if seen.kind in shared.kinds and seen.id in finding.observations
        for value in shared.values(seen.facts)
        for other in fleet.others(shared, value, subject.device.id)
    }


def _subject(part: Part, findings: tuple[Result, ...]) -> Subject:
    return Subject(
        device=read_device(part.record),
        observations=tuple(read_observations(part.observations)),
        findings=findings,
    )
