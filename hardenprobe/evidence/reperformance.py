"""Independent re-performance: the observations of a bag, judged again by the rules in it. No device is touched.

The same bag, rules and version give the same results, byte for byte.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from hardenprobe.baseline import baseline
from hardenprobe.baseline.baseline import Baseline
from hardenprobe.baseline.selection import Expectations
from hardenprobe.decisions import device_register, exceptions, statements
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.errors import UsageError, clip
from hardenprobe.evidence.parts_rules import plain
from hardenprobe.evidence.source import Source
from hardenprobe.evidence.verify import Verdict
from hardenprobe.judging.judge_rows import fleets_of, judged_part, shared_values_of
from hardenprobe.judging.judgement import Judgement
from hardenprobe.judging.review import judged, renewed
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model import BaselineRule, Device, Review, UsedFile
from hardenprobe.model.document import digest, from_document
from hardenprobe.plugins import registry
from hardenprobe.plugins.registry import BUILT_IN, Registry
from hardenprobe.standards import rule_files

SHOWN = 5  # findings that a verdict names; the rest are counted


class NotComparable(UsageError):
    """Results cannot be compared with those of this version: says what differs."""


@dataclass(frozen=True, kw_only=True)
class KeptBaselines:
    """The baselines that judged a review, as they were kept with it.

    Attributes:
        by_hash: As `Device.baseline` names them.
    """

    rules: tuple[BaselineRule, ...]
    by_hash: Mapping[str, Baseline]

    def of(self, device: Device) -> Baseline:
        """The baseline that judged a device.

        Raises:
            NotComparable: It was not kept.
        """
        named = device.baseline
        if named is None or named.hash not in self.by_hash:
            raise NotComparable(f"baseline {named.name if named else 'of a device'} is not in the bag")
        return self.by_hash[named.hash]


@contextmanager
def kept_rules(source: Source, checks: Registry) -> Iterator[KeptBaselines]:
    """The baselines that were kept with a review, read from a folder of their own.

    Raises:
        NotComparable: One of them, or a rule set, is not that of this version.
        UsageError: One is missing or cannot be read.
    """
    used = source.outline.head.inputs
    shipped = {path.name: path.read_bytes() for path in rule_files.shipped().values()}
    for one in used:
        if one.role == "rule-set" and source.used(one) != shipped.get(one.name):
            raise NotComparable(f"rule set {clip(one.name)} is another than that of this version")
    with tempfile.TemporaryDirectory(prefix="hardenprobe-") as folder:
        found: dict[str, Baseline] = {}
        for hash_, files in _by_hash(source).items():
            place = Path(folder) / hash_[:16]
            place.mkdir()
            for one in files:
                (place / plain(one.name)).write_bytes(source.used(one))
            read = baseline.read(place / plain(files[0].name), checks)
            if read.hash != hash_:
                raise NotComparable(
                    f"baseline {clip(files[0].name)} means something else to this version than to the one that judged"
                )
            found[hash_] = read
        yield KeptBaselines(rules=source.outline.head.baselines, by_hash=found)


def _by_hash(source: Source) -> dict[str, list[UsedFile]]:
    """The files of each baseline that judged a device, its own before those that it extends."""
    judged = {one.device.baseline.hash for one in source.devices() if one.device.baseline}
    found: dict[str, list[UsedFile]] = {}
    for one in source.outline.head.inputs:
        if one.role == "baseline" and one.of in judged:
            found.setdefault(str(one.of), []).append(one)
    if missing := judged - found.keys():
        raise NotComparable(f"{len(missing)} of the baselines that judged are not in the bag")
    return found


def decisions(source: Source) -> Decisions | None:
    """What people had decided when the review was judged; None where nothing was looked at.

    Raises:
        StoreRefused: The ledger holds an entry of another version.
    """
    head = source.outline.head
    if head.decided_on is None:
        return None
    return Decisions(
        exceptions=exceptions.read(source.ledger),
        statements=statements.read(source.ledger),
        turns=device_register.read(source.ledger),
        day=head.decided_on,
        mark=head.ledger,
    )


def check(source: Source | None, verdict: Verdict) -> None:
    """Judge a bag whose content is not invalid again, and write down which results differ."""
    if "Full-Bag-SHA-512" in verdict.about:
        verdict.told.append("Redacted: without observations, results cannot be judged again.")
        return
    if source is None or verdict.of("content") == "invalid":
        return
    verdict.verified.append("re-judged")
    checks = registry.load(plugins=False)
    try:
        left_out = _other_checks(source.outline, checks)
        with kept_rules(source, checks) as rules:
            compared, differing = _compared(source, rules, checks, left_out)
    except UsageError as exc:
        verdict.leave_open("re-judged", str(exc))
        return
    for name in differing[:SHOWN]:
        verdict.fault("result", "data/review.json", f"finding {name}: judged again it comes out otherwise")
    if len(differing) > SHOWN:
        verdict.fault(
            "result", "data/review.json", f"{len(differing) - SHOWN} more results come out otherwise"
        )
    verdict.told.append(f"Judged again: {compared} results, {len(differing)} of them otherwise.")
    if left_out:
        verdict.leave_open(
            "re-judged",
            f"checks of others, or of another version than here: {', '.join(sorted(left_out)[:SHOWN])}",
        )


def _other_checks(outline: Review, checks: Registry) -> set[str]:
    """Checks that judged and are not those of this process."""
    return {
        note.id
        for note in outline.checks
        if note.origin != BUILT_IN
        or note.id not in checks.checks
        or checks.checks[note.id].version != note.version
    }


def _compared(
    source: Source, rules: Expectations, checks: Registry, left_out: set[str]
) -> tuple[int, list[str]]:
    """How many results were compared, and the ids of those that differ."""
    shown = (shared_values_of(row, checks) for row in source.rows())
    judgement = Judgement(
        source.outline, rules, checks, decisions(source), fleets_of(shown, source.outline, checks)
    )
    compared, differing = 0, []
    for row in source.rows():
        before, after = (
            {
                (one["finding"], one["vantage"]): one
                for one in json.loads(text)
                if one["check"] not in left_out
            }
            for text in (row.results, judged_part(row, judgement).results)
        )
        compared += len(before)
        differing += [
            str(key[0]) for key in before.keys() | after.keys() if before.get(key) != after.get(key)
        ]
    return compared, sorted(differing)


def judge(source: Source, expected: Expectations, checks: Registry) -> Review:
    """Judge a bag's observations again, as a review whose id follows from what it is made of.

    Raises:
        UsageError: The review cannot be read.
    """
    document = json.loads(b"".join(source.document()))
    whole = renewed(from_document(document), checks)
    made_of = {
        "review": source.digest,
        "versions": dict(whole.head.versions),
        "baselines": sorted({expected.of(device).hash for device in whole.devices}),
        "checks": {id: check.version for id, check in checks.checks.items()},
    }
    name = f"{source.outline.head.id}-{digest(made_of)[:6]}"
    whole = replace(whole, head=replace(whole.head, id=name))
    return judged(whole, JudgingRules(baseline=expected, registry=checks, decisions=decisions(source)))
