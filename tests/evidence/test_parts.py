"""What is in a bag: its parts, each where it is said to be."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support.tls import chain, tls_port

from hardenprobe.baseline import selection
from hardenprobe.decisions import statements
from hardenprobe.errors import UsageError
from hardenprobe.evidence import bag, pack, source, trace
from hardenprobe.evidence.parts import PARTS, copy_capture
from hardenprobe.evidence.source import Wanted
from hardenprobe.evidence.verify import verify
from hardenprobe.judging.review import rejudge
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model import Captured
from hardenprobe.plugins import registry
from hardenprobe.store import ledger, opening, store
from hardenprobe.store.ledger import Ledger
from hardenprobe.testing import at, sample_review


@pytest.fixture
def files(tmp_path: Path, read: Any) -> Any:
    """Pack a review, and give its payload by name."""

    def of(kept: store.Store, name: str, **more: Any) -> dict[str, bytes]:
        out = tmp_path / "bag.zip"
        pack.pack(source.of(kept, name), Wanted(**{"self_test": {}, **more}), out)
        assert not verify(out).faults
        return {n.partition("/data/")[2]: data for n, data in read(out).items() if "/data/" in n}

    return of


@pytest.fixture
def db(tmp_path: Path) -> Any:
    with opening.opened(str(tmp_path / "store.db")) as kept:
        yield kept


def test_every_part_is_there_and_named(kept: store.Store, files: Any) -> None:
    found = files(kept, "20260302-210000-7c1e5a")
    there = {name.partition("/")[0] for name in found}
    assert there == {"README.txt", *(part.name for part in PARTS)} - {"capture", "authorisation"}
    for part in PARTS:
        assert part.what in found["README.txt"].decode()
    assert {f"reports/report.{ending}" for ending in ("html", "csv", "oscal.json")} <= found.keys()
    assert b"What to do first" in found["reports/screen.txt"]
    assert b"\x1b" not in found["reports/screen.txt"] + found["transcripts/000001.txt"]


def test_a_large_fleet_comes_in_volumes(db: store.Store, files: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(source, "VOLUME", 2)
    monkeypatch.setattr("hardenprobe.evidence.parts_reports.VOLUME", 2)
    kept = db.save(sample_review(5))
    found = files(db, kept.head.id)
    volumes = sorted(name for name in found if name.startswith("reports/report-") and name.endswith(".html"))
    assert volumes == [f"reports/report-00000{n}.html" for n in (1, 3, 5)]
    assert b"this volume holds devices 3 to 4 of 5" in found[volumes[1]]
    rows = sum(len(data.splitlines()) - 1 for name, data in found.items() if name.endswith(".csv"))
    assert rows == len(kept.results)


def test_a_review_without_a_device_is_packed(db: store.Store, files: Any) -> None:
    empty = replace(sample_review(1), devices=(), results=(), observations={}, what_first=(), statements=())
    assert "reports/report.html" in files(db, db.save(empty).head.id)


@pytest.mark.slow
def test_baselines_and_rule_sets_as_they_were(db: store.Store, files: Any) -> None:
    checks = registry.load(plugins=False)
    expected = selection.choose((), checks, "office-device-strict")
    kept = db.save(
        rejudge(sample_review(2), JudgingRules(baseline=expected, registry=checks, decisions=None))
    )
    found = files(db, kept.head.id)
    (listed,) = json.loads(found["baselines/baselines.json"])
    assert listed["devices"] == 2 and listed["absent"] is None
    folder = f"baselines/{listed['hash'][:16]}"
    assert found[f"{folder}/office-device-strict.yaml"] and found[f"{folder}/office-device.yaml"], (
        "what it extends too"
    )
    assert (
        found["rule-sets/rules-tls-rfc9325.yaml"].startswith(b"#")
        or b"rules:" in found["rule-sets/rules-tls-rfc9325.yaml"]
    )

    gone = db.save(sample_review(1))
    (listed,) = json.loads(files(db, gone.head.id)["baselines/baselines.json"])
    assert "not at hand" in listed["absent"]


def test_statements_come_with_their_files_and_the_ledger(db: store.Store, files: Any, tmp_path: Path) -> None:
    checks = registry.load(plugins=False)
    (tmp_path / "form.bin").write_bytes(bytes(1_000_000))  # a file that packs like a bomb
    wanted = statements.StatementRequest(
        control="stored-data-encrypted", answer="yes", by="Office", until="2099-01-01", method="examine", fleet=True,
        file="form.bin",
    )  # fmt: skip
    from datetime import date

    book = ledger.Ledger(db)
    book.add([statements.draft(wanted, date(2026, 1, 1), tmp_path)])
    kept = db.save(
        rejudge(
            sample_review(2),
            JudgingRules(
                baseline=selection.choose((), checks), registry=checks, decisions=Ledger(db).decisions()
            ),
        )
    )
    book.add([statements.draft(replace(wanted, words="later"), date(2026, 1, 2), tmp_path)])
    found = files(db, kept.head.id)
    digest = hashlib.sha256(bytes(1_000_000)).hexdigest()
    assert found[f"statements/files/{digest}"] == bytes(1_000_000)
    assert any(one["file_is_here"] for one in json.loads(found["statements/statements.json"]))
    (entry,) = json.loads(found["ledger.json"])
    assert entry["digest"] == kept.head.ledger, "up to the entry that the review was judged with"


def test_the_capture_is_the_one_of_the_review_or_said_to_be_unvouched(tmp_path: Path, read: Any) -> None:
    packets, out = tmp_path / "packets.pcap", tmp_path / "bag.zip"
    packets.write_bytes(b"\xa1\xb2\xc3\xd4 invented")
    found = hashlib.sha256(packets.read_bytes()).hexdigest()
    named = Captured(file="packets.pcap", size=packets.stat().st_size, sha256=found, packets=1)
    for recorded in (named, None):
        with bag.writing(out, "bag") as writer:
            copy_capture(recorded, packets, writer)
            writer.finish({}, None)
        assert read(out)["bag/data/capture/packets.pcap"] == packets.read_bytes()
        said = json.loads(read(out)["bag/data/capture/capture.json"])
        assert said == {"sha256": found, "recorded_by_the_review": recorded is not None}
    with pytest.raises(UsageError, match="digest differs"), bag.writing(tmp_path / "x.zip", "bag") as writer:
        copy_capture(replace(named, sha256="0" * 64), packets, writer)
    packets.write_bytes(packets.read_bytes()[:-1])
    with pytest.raises(UsageError, match="digest differs"), bag.writing(tmp_path / "x.zip", "bag") as writer:
        copy_capture(named, packets, writer)
    assert not (tmp_path / "x.zip").exists()


def test_what_a_later_scan_added_to_the_capture_is_left_out(
    db: store.Store, files: Any, tmp_path: Path
) -> None:
    packets = tmp_path / "packets.pcap"
    packets.write_bytes(b"of this review, of the next")
    sample = sample_review(1)
    (device, seen) = next(iter(sample.observations.items()))
    numbered = replace(seen[0], packets=((3, 5), (9, 9)))
    named = Captured(
        file="packets.pcap", size=14, sha256=hashlib.sha256(b"of this review").hexdigest(), packets=9
    )
    kept = db.save(
        replace(
            sample,
            head=replace(sample.head, capture=named),
            observations={device: (numbered, *seen[1:])},
        )
    )
    found = files(db, kept.head.id, capture=packets)
    assert found["capture/packets.pcap"] == b"of this review"
    assert b"packets 3-5, 9 of the capture" in found["transcripts/000001.txt"]
    finding = next(r.finding for r in kept.findings if numbered.id in r.observations)
    assert "    packets   3-5, 9 of the capture" in list(trace.lines(kept, finding))


@pytest.mark.slow
def test_anchors_of_a_review_that_kept_none(kept: store.Store, files: Any, people: Any) -> None:
    given = (people.root.certificate_file,)
    with pytest.raises(UsageError, match="no certificate of the review leads to CN=Example root"):
        files(kept, "20260302-210000-7c1e5a", anchors=given)


def test_no_key_is_packed_with_the_anchors(db: store.Store, files: Any, people: Any, tmp_path: Path) -> None:
    both = tmp_path / "both.pem"
    sample = sample_review(1)
    (device, seen) = next(iter(sample.observations.items()))
    office = people.authority.issue("Office Authority", ca=True)
    both.write_bytes(office.key_file.read_bytes() + office.certificate_file.read_bytes())
    led_there = at(443, tls_port("TLS 1.2", chains=(chain(),)), protocol="tls")
    saved = db.save(replace(sample, observations={device: (*seen, led_there)}))
    found = files(db, saved.head.id, anchors=(both,))
    assert found["trust-anchors/trust-anchors.pem"] == office.certificate_file.read_bytes()
    assert not [name for name, data in found.items() if b"PRIVATE KEY" in data]


def test_a_self_test_is_kept_for_its_version_and_rules(db: store.Store) -> None:
    from hardenprobe.evidence import self_test

    assert self_test.kept(db) is None
    assert "absent" in self_test.told(db, self_test.__version__)
    made = {"format": self_test.FORMAT, "subject": self_test.subject(), "agrees": True, "findings": []}
    self_test.keep(db, made)
    assert self_test.told(db, self_test.__version__) == made == self_test.kept(db)
    assert "was judged by version 0.0.9" in self_test.told(db, "0.0.9")["absent"]


def test_limits_are_said_from_what_was_covered_and_the_self_test_first(
    kept: store.Store, files: Any, tmp_path: Path
) -> None:
    """Common practice: a report states what was not tested, and the error rates of its method where they are known."""
    name = "20260302-210000-7c1e5a"
    text = files(kept, name, self_test={"absent": "none was run"})["limitations.txt"].decode()
    outline = kept.outline(name)
    assert text.splitlines()[2].startswith("No self-test of this version is in the bag: none was run")
    assert f"{outline.coverage.planned:,} addresses planned" in text and "no sample was drawn" in text
    assert f"Test level {outline.head.reach}" in text and "were determined" in text
    rows = [
        {"expected": True, "found": True},
        {"expected": True, "found": False},
        {"expected": False, "found": True},
    ]
    made = files(kept, name, self_test={"findings": rows})["limitations.txt"].decode()
    assert "2 findings are true, 1 of them were missed (false negatives), 1 were found" in made


def test_the_signed_authorisation_is_packed_as_it_is(kept: store.Store, files: Any, tmp_path: Path) -> None:
    given = tmp_path / "signed scope.pdf"
    given.write_bytes(b"%PDF-1.7 invented")
    found = files(kept, "20260302-210000-7c1e5a", authorisation=given)
    assert found["authorisation/signed-scope.pdf"] == given.read_bytes()
    with pytest.raises(UsageError, match="--authorisation .*: No such file"):
        files(kept, "20260302-210000-7c1e5a", authorisation=tmp_path / "absent")
