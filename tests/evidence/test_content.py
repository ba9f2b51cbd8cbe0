"""What a bag says in one place must be what it says in every other, whoever wrote its manifests."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.evidence import container, content, pack, source
from hardenprobe.evidence.bag import info_text
from hardenprobe.evidence.source import Wanted
from hardenprobe.evidence.verify import Verdict, verify_opened
from hardenprobe.model.document import canonical
from hardenprobe.store import opening
from hardenprobe.testing import sample_review

Files = dict[str, bytes]
FOLDER = "hardenprobe-20260302-210000-7c1e5a"
REVIEW = f"{FOLDER}/data/review.json"


@pytest.fixture
def check(tmp_path: Path, zipped: Any, relisted: Any) -> Callable[..., Verdict]:
    """Verify a bag; with other files, whose manifests somebody has written anew to fit."""

    def of(bag: Path | Files) -> Verdict:
        with ExitStack() as stack:
            if isinstance(bag, dict):
                bag = zipped(tmp_path / "changed.zip", relisted(_fitting(bag)))
            opened = stack.enter_context(container.opened(bag))
            found = verify_opened(opened)
            content.check(opened, found)
            return found

    return of


def _fitting(files: Files) -> Files:
    """A bag-info.txt that fits a payload that was changed."""
    info = f"{FOLDER}/bag-info.txt"
    about = dict(line.split(": ", 1) for line in files[info].decode().splitlines())
    import hashlib

    if "Review-Digest" in about:
        about["Review-Digest"] = hashlib.sha256(files[REVIEW]).hexdigest()
    payload = [data for name, data in files.items() if "/data/" in name]
    about["Payload-Oxum"] = f"{sum(map(len, payload))}.{len(payload)}"
    return {**files, info: info_text(about)}


def test_a_bag_that_was_not_touched_is_valid_to_its_content(unsigned: Path, check: Any) -> None:
    found = check(unsigned)
    assert (found.faults, found.of("content")) == ([], "valid")


@pytest.mark.parametrize(
    "name",
    [
        "coverage.json",
        "scope.json",
        "versions.json",
        "exceptions.json",
        "statements/statements.json",
        "transcripts/000001.txt",
        "reports/report.html",
        "reports/report.csv",
        "reports/report.oscal.json",
        "reports/screen.txt",
        "rule-sets/rules-tls-rfc9325.yaml",
        "README.txt",
    ],
)
def test_a_file_that_says_something_else_than_the_review(
    unsigned: Path, read: Any, check: Any, name: str
) -> None:
    files = read(unsigned)
    where = f"{FOLDER}/data/{name}"
    found = check({**files, where: files[where].replace(b"e", b"3", 1) + b" "})
    assert [(fault.kind, fault.file) for fault in found.faults] == [("content", f"data/{name}")]
    assert (found.of("manifest"), found.of("content")) == ("valid", "invalid")
    gone = check({one: data for one, data in files.items() if one != where})
    assert ("content", f"data/{name}") in {(fault.kind, fault.file) for fault in gone.faults} | {
        ("content", fault.text.removeprefix("the bag holds no ")) for fault in gone.faults
    }


def test_a_file_that_no_part_gives(unsigned: Path, read: Any, check: Any) -> None:
    found = check({**read(unsigned), f"{FOLDER}/data/reports/better.html": b"all is well"})
    assert [(fault.kind, fault.file) for fault in found.faults] == [("content", "data/reports/better.html")]


def changed(files: Files, edit: Callable[[Any], None]) -> Files:
    document = json.loads(files[REVIEW])
    edit(document)
    return {**files, REVIEW: canonical(document)}


def _say_less(document: Any) -> None:
    document["observations"][0]["facts"]["state"] = "refusing"


def _other_bytes(document: Any) -> None:
    entry = next(one for one in document["observations"] if one["transcript"])
    entry["transcript"][0]["hex"] = "00"


def _other_port(document: Any) -> None:
    entry = next(one for one in document["observations"] if one["endpoint"])
    entry["endpoint"]["port"] = 4242


SYN = (
    "4500002800000000400600007f0000017f500028d754c5eb0000000000000000500200000000" + "0000"
)  # RFC 9293 section 3.1


def test_a_packet_of_another_connection(unsigned: Path, read: Any, check: Any) -> None:
    def put(edit: Callable[[dict[str, Any]], None]) -> Any:
        def give(document: Any) -> None:
            entry = next(one for one in document["observations"] if one["sockets"] and not one["transcript"])
            record = entry["sockets"][0]
            ends = [ip_address(record[key]).packed.hex() for key in ("local", "remote")]
            ports = [f"{record[key]:04x}" for key in ("local_port", "remote_port")]
            packet = SYN.replace("7f0000017f500028d754c5eb", "".join((*ends, *ports)))
            entry["headers"] = [{"at": 0.0, "direction": "sent", "hex": packet}]
            edit(entry["headers"][0])

        return check(changed(read(unsigned), give))

    def foreign(found: Any) -> bool:
        return any("a packet header is not of one of its connections" in fault.text for fault in found.faults)

    assert not foreign(put(lambda header: None))
    for edit in (
        lambda header: header.update(hex=SYN),
        lambda header: header.update(hex="4500"),
        lambda header: header.update(hex="no hex"),
        lambda header: header.update(direction="received"),
    ):
        assert foreign(put(edit))


@pytest.mark.parametrize("edit", [_say_less, _other_bytes, _other_port])
def test_an_observation_whose_id_is_not_its_digest(
    unsigned: Path, read: Any, check: Any, edit: Callable[[Any], None]
) -> None:
    found = check(changed(read(unsigned), edit))
    assert any("its id is not the digest" in fault.text for fault in found.faults)


def test_a_finding_that_rests_on_nothing(unsigned: Path, read: Any, check: Any) -> None:
    def edit(document: Any) -> None:
        result = next(one for one in document["results"] if one["observations"])
        result["observations"] = ["0" * 24]

    found = check(changed(read(unsigned), edit))
    assert any("rests on an observation that its device does not have" in f.text for f in found.faults)


def test_a_review_in_another_form_and_observations_of_nobody(unsigned: Path, read: Any, check: Any) -> None:
    files = read(unsigned)
    spaced = check({**files, REVIEW: files[REVIEW].replace(b",", b", ", 1)})
    assert any("not written as hardenprobe writes" in fault.text for fault in spaced.faults)

    def edit(document: Any) -> None:
        document["observations"][-1]["device"] = "dev-of-nobody"

    assert any("not in the order" in fault.text for fault in check(changed(files, edit)).faults)


@pytest.fixture
def at(tmp_path: Path) -> Iterator[Callable[..., Path]]:
    """A bag of a review that began and finished at given times."""
    with opening.opened(str(tmp_path / "times.db")) as kept:

        def make(started: str, finished: str) -> Path:
            sample = sample_review(1)
            head = replace(
                sample.head, id=f"r{started[:4]}{finished[:4]}", started=started, finished=finished
            )
            saved = kept.save(replace(sample, head=head))
            out = tmp_path / "times.zip"
            pack.pack(source.of(kept, saved.head.id), Wanted(self_test={"absent": "a test"}), out)
            return out

        yield make


@pytest.mark.slow
def test_times_must_be_in_order(at: Any, check: Any) -> None:
    later = f"{datetime.now(UTC) + timedelta(2):%Y-%m-%dT%H:%M:%S.000Z}"
    found = check(at("2026-01-01T00:00:00.000Z", later))
    (fault,) = found.faults
    assert fault.kind == "order" and "before it was finished" in fault.text
    assert found.of("content") == "invalid"

    outside = check(at("2001-01-01T00:00:00.000Z", "2001-01-02T00:00:00.000Z"))
    assert {fault.kind for fault in outside.faults} == {"order"}
    assert all("outside the time of the review" in fault.text for fault in outside.faults)


def test_files_of_other_versions_are_not_called_wrong(unsigned: Path, read: Any, check: Any) -> None:
    files = read(unsigned)
    versions = json.loads(files[f"{FOLDER}/data/versions.json"])
    versions["packed_by"]["rich"] = "0.0.1"
    files[f"{FOLDER}/data/versions.json"] = json.dumps(versions, indent=1, sort_keys=True).encode() + b"\n"
    files[f"{FOLDER}/data/reports/screen.txt"] += b" "
    found = check(files)
    assert not found.faults and found.of("content") == "not determined"
    assert "1 file written by other code" in found.open[-1][1]


def test_a_document_of_another_build_may_lack_a_field_and_say_nothing_else(
    unsigned: Path, read: Any, check: Any
) -> None:
    files, name = read(unsigned), f"{FOLDER}/data/coverage.json"
    versions = json.loads(files[f"{FOLDER}/data/versions.json"])
    assert len(versions["packed_by"].pop("hardenprobe source, SHA-256")) == 64
    files[f"{FOLDER}/data/versions.json"] = json.dumps(versions, indent=1, sort_keys=True).encode() + b"\n"
    coverage = json.loads(files[name])
    empty = next(key for key, value in coverage.items() if value in ([], None))
    full = next(key for key, value in coverage.items() if value and isinstance(value, int))

    def said(edit: Callable[[dict[str, Any]], Any]) -> Any:
        changed = dict(coverage)
        edit(changed)
        return check({**files, name: json.dumps(changed, indent=1, sort_keys=True).encode() + b"\n"})

    older = said(lambda one: one.pop(empty))
    assert not older.faults and older.of("content") == "not determined"
    for edit in (
        lambda one: one.pop(full),
        lambda one: one.update({full: one[full] + 1}),
        lambda one: one.update(more=1),
    ):
        assert [fault.text for fault in said(edit).faults] == ["it is not what the review gives"]
