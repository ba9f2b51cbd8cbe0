"""A redacted review is made of what is known to be harmless, and pseudonyms hold together."""

from __future__ import annotations

import hashlib
import hmac
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.errors import FileInvalid
from hardenprobe.evidence import pseudonyms, redact, source
from hardenprobe.evidence.pseudonyms import Pseudonyms
from hardenprobe.model import Review
from hardenprobe.model.document import from_document, to_document
from hardenprobe.store import store
from hardenprobe.testing import sample_review

KEY = b"k" * 32


@pytest.fixture
def pair(kept: Any) -> tuple[Review, Review]:
    """The review, and the same redacted."""
    full = source.of(kept, "20260302-210000-7c1e5a")
    redaction = redact.Redaction(Pseudonyms(KEY))
    made = source.changed(full, redaction.outline(full.outline, "SHA-512 of a bag"), redaction.row)
    return tuple(from_document(json.loads(b"".join(one.document()))) for one in (full, made))  # type: ignore[return-value]


def test_verdicts_stay_and_point_to_the_same_devices(pair: tuple[Review, Review]) -> None:
    full, redacted = pair
    assert [(r.check, r.result, r.score, r.vector, r.reason) for r in full.results] == [
        (r.check, r.result, r.score, r.vector, r.reason) for r in redacted.results
    ]
    same = {a.id: b.id for a, b in zip(full.devices, redacted.devices, strict=True)}
    assert [same[r.device] for r in full.results] == [r.device for r in redacted.results]
    findings = {a.finding: b.finding for a, b in zip(full.results, redacted.results, strict=True)}
    assert len(set(findings.values())) == len(findings)
    for before, after in zip(full.what_first, redacted.what_first, strict=True):
        assert [findings[one] for one in before.findings] == list(after.findings)
    address = {
        a.addresses[0].address: b.addresses[0].address
        for a, b in zip(full.devices, redacted.devices, strict=True)
    }
    for before, after in zip(full.results, redacted.results, strict=True):
        if before.endpoint and after.endpoint:
            assert address[before.endpoint.address] == after.endpoint.address
    assert not any(redacted.observations.values())
    assert "SHA-512 of a bag" in redacted.notices[0]


def test_texts_that_are_left_are_ours(pair: tuple[Review, Review]) -> None:
    """Every text of the redacted review that the full one has too comes from a fixed list, or is a time or an id of ours."""
    full, redacted = pair

    def texts(review: Review) -> set[str]:
        found: set[str] = set()

        def walk(value: Any) -> None:
            if isinstance(value, str):
                found.add(value)
            elif isinstance(value, dict):
                for one in value.values():
                    walk(one)
            elif isinstance(value, list):
                for one in value:
                    walk(one)

        from hardenprobe.model.document import to_document

        document = to_document(review)
        for known in ("checks", "what_first"):  # checks, remedies: hardenprobe's own words
            document.pop(known)
        walk(document)
        return found

    shared = texts(full) & texts(redacted)
    sentences = {one for one in shared if " " in one}
    ours = {one.question for one in full.statements} | {
        control for r in full.results for control in r.controls
    }
    assert sentences <= ours | {r.rule_set.name for r in full.results if r.rule_set}
    assert not shared & {d.label for d in full.devices} | shared & {
        i.value for d in full.devices for i in d.identity
    }


def test_what_does_not_come_with_hardenprobe_is_not_named(kept: Any, tmp_path: Path) -> None:
    """A third party's check, its remedy and a baseline of one's own may be named after their owner."""
    sample = sample_review(2)
    theirs = sample.findings[0].check
    note = next(one for one in sample.checks if one.id == theirs)
    remedy = next(r.remedy for r in sample.findings if r.check == theirs)
    own = {r.remedy for r in sample.results if r.check != theirs}
    assert remedy and remedy not in own, "only that check names it"
    words = {
        theirs: "canary-check",
        remedy: "canary-remedy",
    }
    text = json.dumps(to_document(sample))
    for before, after in words.items():
        text = text.replace(json.dumps(before), json.dumps(after))
    document = json.loads(text)
    for one in [*document["results"], *document["checks"]]:
        if "canary-check" in (one.get("check"), one.get("id")):
            one["origin"] = "canary-origin 1"
            one.update({"controls": ["canary-control"]} if "controls" in one else {"why": "canary-why"})
    for one in document["what_first"]:
        if one["remedy"]["id"] == "canary-remedy":
            one["remedy"]["title"] = "canary-title"
    for one in document["devices"]:
        one["baseline"] = {"name": "canary-baseline/3", "hash": "canary-hash"}
    document["review"]["versions"]["canary-package"] = "1"
    changed_ = from_document(document)
    with store.opened(str(tmp_path / "store.db")) as db:
        full = source.of(db, db.save(changed_).head.id)
        redaction = redact.Redaction(Pseudonyms(KEY), redact.foreign_remedies(full))
        made = source.changed(full, redaction.outline(full.outline, "SHA-512"), redaction.row)
        before, after = (b"".join(one.document()) for one in (full, made))
    for canary in ("check", "remedy", "origin", "control", "why", "title", "baseline", "hash", "package"):
        assert f"canary-{canary}".encode() in before
    assert b"canary" not in after
    redacted = from_document(json.loads(after))
    named = {one.id for one in redacted.checks if one.title == redact.WITHHELD}
    assert named == {Pseudonyms(KEY).of("check", "canary-check")}
    assert named <= {one.check for one in redacted.results} and named <= set(redacted.head.selected)
    assert note.id not in {one.id for one in redacted.checks}


@given(st.text(max_size=20), st.text(max_size=20), st.sampled_from(["name", "address"]))
def test_a_pseudonym_is_an_hmac_of_kind_and_value(one: str, other: str, kind: str) -> None:
    names = Pseudonyms(KEY)
    expected = hmac.new(KEY, f"{kind}\0{one.casefold()}".encode(), hashlib.sha256).hexdigest()[:16]
    assert names.of(kind, one) == f"{kind}-{expected}"
    assert (names.of(kind, one) == names.of(kind, other)) == (one.casefold() == other.casefold())
    assert Pseudonyms(b"x" * 32).of(kind, one) != names.of(kind, one)
    assert names.maybe(kind, None) is None


def test_a_key_is_made_once_and_kept_from_others(tmp_path: Path) -> None:
    path = tmp_path / "key"
    first = pseudonyms.load(path).of("name", "x")
    assert pseudonyms.load(path).of("name", "x") == first
    assert path.stat().st_mode & 0o777 == 0o600
    path.write_bytes(b"short")
    with pytest.raises(FileInvalid, match="has 5 bytes"):
        pseudonyms.load(path)
    path.chmod(0o640)
    with pytest.raises(FileInvalid, match="chmod 600"):
        pseudonyms.load(path)
    with pytest.raises(FileInvalid, match="cannot be read or made"):
        pseudonyms.load(tmp_path / "missing" / "key")
