"""What the demo lab's devices are guilty of, and what a scan of them found: whether this version finds what it should.

Done once for a version and its rules, and kept beside the reviews.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from hardenprobe import __version__
from hardenprobe.model import Review
from hardenprobe.model.document import canonical, digest
from hardenprobe.model.transcript import utc_now
from hardenprobe.standards.rule_files import shipped_baselines
from hardenprobe.store.schema import self_tests as _kept
from hardenprobe.store.store import Store

if TYPE_CHECKING:
    from hardenprobe.demo_lab.process import RunningLab

FORMAT = "hardenprobe.self-test/1"
TARGET = "127.77.0.0/24"
SOURCE = "127.0.0.1"


def subject() -> dict[str, Any]:
    """What a self-test is about: this version, its checks, and the digests of its baselines and rule sets."""
    from hardenprobe.plugins import registry
    from hardenprobe.standards import rule_files

    files = {**shipped_baselines(), **rule_files.shipped()}
    return {
        "hardenprobe": __version__,
        "checks": {check.id: check.version for check in registry.load(plugins=False).checks.values()},
        "files": {
            name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in sorted(files.items())
        },
    }


def kept(store: Store) -> dict[str, Any] | None:
    """The self-test of this version that a store holds; None where it holds none."""
    with store.reading() as db:
        if not sa.inspect(db).has_table(_kept.name):
            return None
        row = db.execute(sa.select(_kept.c.document).where(_kept.c.subject == digest(subject()))).first()
    try:
        found = json.loads(row.document) if row else None
    except ValueError:
        return None
    return found if isinstance(found, dict) else None


def keep(store: Store, made: Mapping[str, Any]) -> None:
    """Keep a self-test in place of an older one of the same version.

    Raises:
        StoreRefused: The store cannot be written.
    """
    with store.writing() as db:
        db.execute(_kept.delete().where(_kept.c.subject == digest(made["subject"])))
        db.execute(_kept.insert().values(subject=digest(made["subject"]), document=canonical(made).decode()))


def scan() -> dict[str, Any]:
    """Scan the lab on loopback, and hold what was found against what its devices are guilty of; some 20 s.

    Raises:
        UsageError: The lab cannot start.
    """
    from hardenprobe.demo_lab.process import running_lab
    from hardenprobe.demo_lab.scan_lab import order
    from hardenprobe.library import scan_and_judge

    with running_lab() as lab:
        return of_scan(asyncio.run(scan_and_judge(*order(lab, [TARGET], SOURCE))), lab)


def of_demo(found: Review, lab: RunningLab) -> dict[str, Any]:
    """The same of a scan of the whole lab that was made already, judged by what the lab's people state.

    Args:
        found: A scan at reach ask by the lab's baseline.
    """
    from hardenprobe.demo_lab.scan_lab import order
    from hardenprobe.judging.review import rejudge

    _, rules = order(lab, [TARGET], SOURCE)
    return of_scan(rejudge(found, rules), lab)


def of_scan(found: Review, lab: RunningLab) -> dict[str, Any]:
    """What a scan of the whole lab found beside what it should have found.

    Args:
        found: From SOURCE, judged by the lab's baseline and what its people state.
    """
    from hardenprobe.demo_lab.scan_lab import guilts
    from hardenprobe.demo_lab.truth import expected_findings
    from hardenprobe.devices import inventory

    truth = expected_findings(lab.inventory, SOURCE, inventory.load(lab.inventory).approved_networks)
    judged = {guilt.check for guilt in truth}
    seen = {guilt for guilt in guilts(found) if guilt.check in judged}
    rows = sorted(truth | seen, key=lambda g: [str(value) for value in vars(g).values()])
    return {
        "format": FORMAT,
        "subject": subject(),
        "made": utc_now(),
        "target": f"the demo lab, {TARGET}, from {SOURCE}",
        "checks": sorted(judged),
        "expected": len(truth),
        "found": len(seen),
        "agrees": truth == seen,
        "findings": [{**vars(g), "expected": g in truth, "found": g in seen} for g in rows],
    }


def told(store: Store, reviewed_by: str | None) -> dict[str, Any]:
    """The self-test to pack with a review, or why there is none.

    Args:
        reviewed_by: The version that judged the review.
    """
    if reviewed_by != __version__:
        why = f"the review was judged by version {reviewed_by}, and this is {__version__}"
    else:
        why = (
            "none was run with this version and these rules; `hardenprobe evidence pack --self-test` runs it"
        )
        if found := kept(store):
            return found
    return {"format": FORMAT, "absent": why}
