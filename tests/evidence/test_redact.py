"""A redacted review is made of what is known to be harmless, and pseudonyms hold together."""

from __future__ import annotations

import hashlib
import hmac
import io
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.baseline import baseline
from hardenprobe.errors import FileInvalid
from hardenprobe.evidence import parts, pseudonyms, redact, source
from hardenprobe.evidence.bag import Payload
from hardenprobe.evidence.pseudonyms import Pseudonyms
from hardenprobe.model import Address, Cost, Named, Review
from hardenprobe.model.document import from_document, to_document
from hardenprobe.model.usage import UsageSource, Use
from hardenprobe.plugins import registry
from hardenprobe.store import opening
from hardenprobe.store import usage as kept_usage
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
    pseudonym = Pseudonyms(KEY)
    known = {one.finding: one for one in redacted.results}
    assert len(known) == len(full.results)
    for before in full.results:
        after = known[pseudonym.of("finding", before.finding)]
        same = ("check", "result", "score", "vector", "reason")
        assert [getattr(before, name) for name in same] == [getattr(after, name) for name in same]
        assert after.device == pseudonym.of("device", before.device)
        if before.endpoint:
            assert after.endpoint.address == pseudonym.of("address", before.endpoint.address)
    for before, after in zip(full.what_first, redacted.what_first, strict=True):
        assert {pseudonym.of("finding", one) for one in before.findings} == set(after.findings)
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
    with opening.opened(str(tmp_path / "store.db")) as db:
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


# --- Re-identification: what somebody knows who has the bag, knows the network, and has no key


NETWORK = [f"192.0.2.{n}" for n in range(256)]
CLIENT = NETWORK[200]
SEEN = UsageSource(
    id="u-1", kind="capture", name="harbour-office.pcap", sha256="5" * 64, place="harbour office", packets=98765,
    first="2026-11-10T08:15:42Z", last="2026-11-25T09:16:43Z", devices=(NETWORK[10], NETWORK[11]),
)  # fmt: skip
# The first device prints at the second, and a client at both.
USES = [
    Use(source="u-1", client=client, address=device, transport="tcp", port=515, first="2026-11-11T08:15:42Z",
        last="2026-11-24T16:31:07Z", conversations=31, bytes_sent=812345, bytes_received=9312)
    for client, device in ((NETWORK[10], NETWORK[11]), (CLIENT, NETWORK[10]), (CLIENT, NETWORK[11]))
]  # fmt: skip


class Kept(Payload):
    """Keeps what is written."""

    def __init__(self) -> None:
        self.data: dict[str, io.BytesIO] = {}

    @contextmanager
    def file(self, path: str, *, packed: bool = True) -> Iterator[Any]:
        yield self.data.setdefault(path, io.BytesIO())


@pytest.fixture(scope="module")
def of_network(tmp_path_factory: pytest.TempPathFactory) -> tuple[Review, Review, bytes]:
    """A review of consecutive addresses, one device each, and the same redacted."""
    sample = sample_review(40)
    devices = tuple(
        replace(
            one,
            addresses=(Address(address=NETWORK[n + 10], family="ipv4"),),
            services=tuple(replace(s, address=NETWORK[n + 10]) for s in one.services),
            baseline=Named(name="harbour-office/1", hash=hashlib.sha256(b"harbour-office").hexdigest()),
            cost=Cost(
                connections=31 + n,
                datagrams=7 + n,
                bytes_sent=1234 + n,
                bytes_received=9876 + n,
                seconds=4.2 + n,
            ),
        )
        for n, one in enumerate(sample.devices)
    )
    with opening.opened(str(tmp_path_factory.mktemp("network") / "store.db")) as kept:
        saved = kept.save(replace(sample, devices=devices))
        kept_usage.keep(kept, SEEN, USES)
        full = source.of(kept, saved.head.id)
        redaction = redact.Redaction(Pseudonyms(KEY))
        made = source.changed(
            full, redaction.outline(full.outline, "SHA-512 of a bag"), redaction.row,
            redaction.usage(full.usage), lambda: iter(redaction.uses(full.uses())),
        )  # fmt: skip
        packed = Kept()
        parts._usage(made, source.Wanted(self_test={}), packed)
        document = b"".join(made.document()) + packed.data["usage/usage.json"].getvalue()
        redacted = from_document(json.loads(b"".join(made.document())))
    return saved, redacted, document


def test_the_place_of_a_device_tells_nothing(of_network: tuple[Review, Review, bytes]) -> None:
    full, redacted, _ = of_network
    pseudonym = Pseudonyms(KEY)
    by_address = [pseudonym.of("device", one.id) for one in full.devices]
    there = [one.id for one in redacted.devices]

    assert sorted(by_address) == there
    assert sum(a == b for a, b in zip(by_address, there, strict=True)) < 5, "the i-th is not the i-th"
    for one in redacted.devices:
        assert list(one.names) == sorted(one.names) and list(one.tags) == sorted(one.tags)
    for advice in redacted.what_first:
        assert list(advice.devices) == sorted(advice.devices)
        assert list(advice.findings) == sorted(advice.findings)
    for names in (redacted.coverage.excluded, redacted.coverage.unfinished):
        assert list(names) == sorted(names)


@pytest.mark.slow
def test_no_hash_of_an_address_of_the_network_is_in_it(of_network: tuple[Review, Review, bytes]) -> None:
    """Brute force over a /24: digests with and without a prefix, cut or not, and HMACs under keys that are in the bag."""
    full, redacted, document = of_network
    text = document.decode()
    keys = [b"", b"\0" * 32, redacted.head.id.encode(), redacted.head.started.encode(), b"hardenprobe"]
    hashes = (hashlib.md5, hashlib.sha1, hashlib.sha256, hashlib.sha512)
    for address in NETWORK:
        assert f'"{address}"' not in text
        for plain in (address, f"address:{address}", f"address\0{address}", f"address-{address}"):
            made = [one(plain.encode()).hexdigest() for one in hashes]
            made += [hmac.new(key, plain.encode(), hashlib.sha256).hexdigest() for key in keys]
            assert not [digest for digest in made if digest[:12] in text], plain
    for device in full.devices:
        assert device.id not in text


def test_a_client_has_the_pseudonym_of_its_address_and_times_are_days(
    of_network: tuple[Review, Review, bytes],
) -> None:
    """The one who prints is a device of the review too; nothing exact is left by which a log elsewhere could be matched."""
    _, redacted, document = of_network
    usage = json.loads(document[document.index(b'{"format": "hardenprobe.usage/1"') :])
    pseudonym = Pseudonyms(KEY)
    devices = {address.address for one in redacted.devices for address in one.addresses}

    assert {use["client"] for use in usage["uses"]} == {
        pseudonym.of("address", CLIENT),
        pseudonym.of("address", NETWORK[10]),
    }
    assert pseudonym.of("address", NETWORK[10]) in devices and pseudonym.of("address", CLIENT) not in devices
    assert {use["address"] for use in usage["uses"]} <= devices
    text = json.dumps(usage)
    for exact in ("08:15:42", "16:31:07", "812345", "9312", "harbour", "98765", "5" * 64, "u-1"):
        assert exact not in text


def test_baselines_of_ones_own_and_exact_costs_are_not_in_it(
    of_network: tuple[Review, Review, bytes],
) -> None:
    full, redacted, document = of_network
    assert b"harbour-office" not in document
    assert full.devices[0].baseline.hash.encode() not in document
    assert len({one.baseline for one in redacted.devices}) == 1
    for one in redacted.devices:
        assert (
            one.cost.connections % 10 == 0 and one.cost.bytes_sent % 1000 == 0 and one.cost.seconds % 10 == 0
        )


def test_a_baseline_that_ships_keeps_its_name_and_one_of_the_same_name_does_not() -> None:
    shipped = baseline.load("office-device", registry.load(plugins=False))
    redaction = redact.Redaction(Pseudonyms(KEY))
    known = Named(name=shipped.name, hash=shipped.hash)
    assert redaction._baseline(known) == known
    other = redaction._baseline(replace(known, hash="0" * 64))
    assert other is not None and other.name.startswith("baseline-") and other.hash.startswith("hash-")
