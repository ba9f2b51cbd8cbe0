"""A bag's observations are judged again by somebody else, and come out the same; what was made up comes out otherwise."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.baseline import selection
from hardenprobe.baseline.files import files_of
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.errors import UsageError
from hardenprobe.evidence import container, content, importing, pack, reperformance, source
from hardenprobe.evidence.source import Wanted
from hardenprobe.evidence.verify import Verdict, verify_opened
from hardenprobe.judging.review import judged
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model.document import canonical, to_document
from hardenprobe.plugins import registry
from hardenprobe.store import input_files, opening
from hardenprobe.store import store as stores
from hardenprobe.testing import sample_review

CHECKS = registry.load(plugins=False)
RULES = selection.choose((), CHECKS, "office-device-strict")
Files = dict[str, bytes]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[stores.Store]:
    """A review whose results follow from its observations, and the files that it rests on."""
    sample = sample_review(3, hostile=True)
    files = files_of(RULES)
    head = replace(
        sample.head, selected=tuple(sorted(CHECKS.checks)), inputs=tuple(one.used for one in files)
    )
    made = judged(
        replace(sample, head=head),
        JudgingRules(baseline=RULES, registry=CHECKS, decisions=Decisions(day="2026-03-02")),
    )
    with opening.opened(str(tmp_path_factory.mktemp("judged") / "store.db")) as kept:
        kept.save(made)
        input_files.keep(kept, files)
        yield kept


@pytest.fixture(scope="module")
def bag(store: stores.Store, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("bag") / "bag.zip"
    pack.pack(source.of(store, store.find("latest")), Wanted(self_test={"absent": "a test"}), out)
    return out


@pytest.fixture
def check(tmp_path: Path, zipped: Any, relisted: Any) -> Callable[[Path | Files], Verdict]:
    def of(bag: Path | Files) -> Verdict:
        path = bag if isinstance(bag, Path) else zipped(tmp_path / "x.zip", relisted(bag))
        with container.opened(path) as opened:
            verdict = verify_opened(opened)
            reperformance.check(content.check(opened, verdict), verdict)
            return verdict

    return of


@pytest.mark.slow
def test_results_that_follow_from_the_observations_are_valid(bag: Path, check: Any) -> None:
    found = check(bag)
    assert (found.faults, found.of("re-judged")) == ([], "valid")
    assert any(line.startswith("Judged again: ") and "0 of them otherwise" in line for line in found.told)


@pytest.mark.slow
def test_results_that_somebody_made_up_are_found_although_everything_else_fits(
    store: stores.Store, tmp_path: Path, check: Any
) -> None:
    """Whoever writes a store can write a bag whose parts all agree; its results do not follow from what was seen."""
    kept = store.load("latest")
    open_one = next(one for one in kept.results if one.result == "fail")
    closed = replace(open_one, result="pass", score=None, severity=None, vector=None, remedy=None)
    forged = replace(
        kept,
        head=replace(kept.head, id="20260302-210000-forged"),
        results=tuple(closed if one is open_one else one for one in kept.results),
    )
    with opening.opened(str(tmp_path / "forged.db")) as db:
        saved = db.save(forged)
        input_files.keep(db, files_of(RULES))
        pack.pack(source.of(db, saved.head.id), Wanted(self_test={}), tmp_path / "forged.zip")
    found = check(tmp_path / "forged.zip")

    assert found.of("content") == "valid"
    (fault,) = found.faults
    assert (fault.kind, found.of("re-judged")) == ("result", "invalid")
    assert open_one.finding in fault.text


@pytest.mark.slow
def test_a_bag_without_its_baseline_is_not_determined(
    store: stores.Store, tmp_path: Path, check: Any
) -> None:
    kept = store.load("latest")
    with opening.opened(str(tmp_path / "bare.db")) as db:
        saved = db.save(replace(kept, head=replace(kept.head, id="20260302-210000-bare", inputs=())))
        pack.pack(source.of(db, saved.head.id), Wanted(self_test={}), tmp_path / "bare.zip")
    found = check(tmp_path / "bare.zip")
    assert not found.faults and found.of("re-judged") == "not determined"
    assert any("baselines that judged are not in the bag" in text for _, text in found.open)


@pytest.mark.slow
def test_judging_a_bag_is_deterministic_to_the_byte(bag: Path) -> None:
    def once() -> bytes:
        with importing.opened(bag) as (_, kept, _), reperformance.kept_rules(kept, CHECKS) as rules:
            return canonical(to_document(reperformance.judge(kept, rules, CHECKS)))

    assert once() == once()
    document = json.loads(once())
    with container.opened(bag) as opened:
        before = json.loads(b"".join(opened.document("data/review.json")))
    assert document["results"] == before["results"]
    assert document["review"]["judged_from"] == before["review"]["id"] != document["review"]["id"]


def test_another_baseline_gives_another_review(bag: Path) -> None:
    other = selection.choose((), CHECKS, "office-device")
    with importing.opened(bag) as (_, kept, _), reperformance.kept_rules(kept, CHECKS) as rules:
        names = {reperformance.judge(kept, chosen, CHECKS).head.id for chosen in (rules, other)}
    assert len(names) == 2


def test_a_bag_is_imported_as_it_is_and_once(bag: Path, store: stores.Store, tmp_path: Path) -> None:
    before = store.load("latest")
    with opening.opened(str(tmp_path / "theirs.db")) as theirs:
        name = importing.import_review(bag, theirs)
        found = theirs.load(name)
        assert found.head.imported == hashlib.sha512(_tags(bag)).hexdigest()
        assert (found.devices, found.results, found.observations) == (
            before.devices,
            before.results,
            before.observations,
        )
        assert theirs.reviews()[0].intact
        assert all(input_files.read(theirs, one) for one in found.head.inputs)
        with pytest.raises(UsageError, match="holds review .* already"):
            importing.import_review(bag, theirs)
        with pytest.raises(UsageError, match="was imported from a bag"):
            source.of(theirs, name)


def test_a_changed_bag_is_not_imported(bag: Path, tmp_path: Path, read: Any, zipped: Any) -> None:
    files = read(bag)
    name = next(one for one in files if one.endswith("review.json"))
    changed = zipped(tmp_path / "changed.zip", {**files, name: files[name].replace(b"telnet", b"xelnet", 1)})
    with opening.opened(str(tmp_path / "s.db")) as db, pytest.raises(UsageError, match="is invalid"):
        importing.import_review(changed, db)


def _tags(bag: Path) -> bytes:
    with container.opened(bag) as opened:
        return opened.read("tagmanifest-sha512.txt", 1_000_000)
