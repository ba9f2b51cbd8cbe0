"""Whatever is changed in a bag is found and named."""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hardenprobe.errors import UsageError
from hardenprobe.evidence.container import BagRefused
from hardenprobe.evidence.verify import verify

Files = dict[str, bytes]
FOLDER = "hardenprobe-20260302-210000-7c1e5a"


@pytest.fixture
def check(tmp_path: Path, zipped: Any) -> Callable[..., list[tuple[str, str]]]:
    def of(files: Files, **more: Any) -> list[tuple[str, str]]:
        found = verify(zipped(tmp_path / "changed.zip", files), **more)
        return [(fault.kind, fault.file) for fault in found.faults]

    return of


def test_a_whole_bag_is_whole(unsigned: Path, signed: Path, people: Any) -> None:
    plain, by_somebody = verify(unsigned), verify(signed)
    assert not plain.faults and not by_somebody.faults
    assert "Not signed: origin not authenticated" in plain.told[0]
    assert "CN=Example reviewer" in by_somebody.told[0] and "Signer not authenticated" in by_somebody.told[1]
    assert [one.state for one in (plain, by_somebody)] == ["not determined", "not determined"]
    assert [one.reached for one in (plain, by_somebody)] == ["manifest", "manifest"]
    authenticated = verify(signed, [people.root.certificate])
    assert not authenticated.faults
    assert "Signer authenticated today by trust anchor CN=Example root" in authenticated.told[1]
    assert (authenticated.state, authenticated.reached) == ("not determined", "manifest")
    assert "revocation unknown: CN=Example reviewer" in authenticated.open[0][1]


def test_an_anchor_that_signs_needs_no_revocation_data(packed: Any, people: Any) -> None:
    """RFC 5280 section 6.1.1: the trust anchor is an input to path validation and is not itself validated."""
    root = people.authority.issue("Root that signs", ca=True)
    found = verify(packed(root), [root.certificate])

    assert (found.state, found.reached, found.open) == ("valid", "signature", [])


@pytest.mark.parametrize(
    "name", ["data/review.json", "data/README.txt", "bag-info.txt", "manifest-sha256.txt"]
)
def test_what_is_wrong_with_a_file_is_said(signed: Path, read: Any, check: Any, name: str) -> None:
    files = read(signed)
    where = f"{FOLDER}/{name}"
    assert ("altered", name) in check({**files, where: files[where] + b"\n"})
    assert ("missing", name) in check({n: d for n, d in files.items() if n != where})
    assert ("added", f"{name}.more") in check({**files, f"{where}.more": b"x"})


def test_a_file_with_another_name_is_missing_and_added(unsigned: Path, read: Any, check: Any) -> None:
    files = read(unsigned)
    files[f"{FOLDER}/data/other.json"] = files.pop(f"{FOLDER}/data/review.json")
    assert check(files) == [("missing", "data/review.json"), ("added", "data/other.json")]


def test_whoever_changes_the_manifests_too_is_found_by_the_signature(
    signed: Path, unsigned: Path, read: Any, relisted: Any, check: Any
) -> None:
    for path, expected in ((signed, [("signature", "signature.p7s")]), (unsigned, [])):
        files = read(path)
        files[f"{FOLDER}/data/README.txt"] += b"all is well"
        info = f"{FOLDER}/bag-info.txt"
        size = sum(len(d) for n, d in files.items() if "/data/" in n)
        count = sum("/data/" in n for n in files)
        lines = [line for line in files[info].decode().splitlines() if "Oxum" not in line]
        files[info] = "\n".join([*lines, f"Payload-Oxum: {size}.{count}", ""]).encode()
        assert check(relisted(files)) == expected


def test_a_review_that_was_put_in_place_of_another_is_not_the_one_of_the_chain(
    unsigned: Path, read: Any, relisted: Any, check: Any
) -> None:
    files = read(unsigned)
    name = f"{FOLDER}/data/review.json"
    files[name] = files[name].replace(b"telnet", b"xelnet", 1)
    assert check(relisted(files)) == [("altered", "bag-info.txt")]


def test_a_signature_that_was_taken_away_is_missed(
    signed: Path, unsigned: Path, read: Any, check: Any, people: Any
) -> None:
    files = {name: data for name, data in read(signed).items() if not name.endswith(".p7s")}
    assert check(files) == [("missing", "signature.p7s")]
    assert check(read(unsigned), anchors=[people.root.certificate]) == [("signature", "signature.p7s")]
    assert check(read(unsigned), time_anchors=[people.root.certificate]) == [("time", "timestamp.tst")]


@pytest.mark.slow
def test_who_may_not_vouch_or_sign(packed: Any, people: Any) -> None:
    from cryptography.x509.oid import ExtendedKeyUsageOID

    issue, root = people.authority.issue, people.root
    other = issue("Other root", ca=True)
    late = issue("Late reviewer", root, days=(-20, -2))
    early = issue("Early reviewer", root, days=(2, 20))
    server = issue("A server", root, usage=(ExtendedKeyUsageOID.SERVER_AUTH,))
    middle = issue("Middle", root, ca=True)
    below = issue("Below", middle)
    cases = {
        "no certification path": packed(people.signer, root),
        "it was valid until": packed(late, root),
        "it is valid from": packed(early, root),
        "another purpose": packed(server, root),
    }
    for says, path in cases.items():
        trusted = [other.certificate] if "path" in says else [root.certificate]
        (fault,) = verify(path, trusted).faults
        assert fault.kind == "certificate" and says in fault.text, says
    assert not verify(packed(below, middle), [root.certificate]).faults
    (fault,) = verify(packed(below), [root.certificate]).faults
    assert fault.kind == "certificate"
    alone = issue("Alone")
    assert not verify(packed(alone), [alone.certificate]).faults
    assert verify(packed(alone), [alone.certificate], now=datetime.now(UTC) + timedelta(60)).faults


def test_the_wrong_certificate_beside_a_good_signature(
    packed: Any, people: Any, read: Any, check: Any
) -> None:
    """One bag's signature in another: it is over something else, and bag-info.txt names another certificate."""
    other = people.authority.issue("Other reviewer", people.root)
    files, donor = read(packed(people.signer)), read(packed(other))
    files[f"{FOLDER}/signature.p7s"] = donor[f"{FOLDER}/signature.p7s"]
    assert check(files) == [("signature", "signature.p7s")]


@pytest.mark.parametrize("text", ["", "data/review.json", f"{'0' * 64}  data/review.json\n", "\x00\xff"])
def test_a_manifest_of_another_form_is_altered(
    unsigned: Path, read: Any, relisted: Any, check: Any, text: str
) -> None:
    files = read(unsigned)
    files[f"{FOLDER}/tagmanifest-sha256.txt"] = text.encode("latin-1")
    assert check(files)


def test_a_form_that_bagit_allows_and_we_do_not_write(unsigned: Path, read: Any, check: Any) -> None:
    """Upper case digests in the tag manifest mean the same and are not what was signed."""
    files = read(unsigned)
    name = f"{FOLDER}/tagmanifest-sha512.txt"
    digest, _, rest = files[name].partition(b"  ")
    files[name] = digest.upper() + b"  " + rest
    assert check(files)


def test_it_is_no_bag(tmp_path: Path, zipped: Any) -> None:
    with pytest.raises(BagRefused, match="none of the files that make a bag"):
        verify(zipped(tmp_path / "x.zip", {"folder/readme": b"x"}))
    with pytest.raises(UsageError, match="cannot be read"):
        verify(tmp_path / "absent.zip")


def changed(data: bytes, chance: random.Random) -> bytes:
    """One byte changed, taken away, or put in."""
    at = chance.randrange(len(data) + 1)
    match chance.choice(("flip", "drop", "add")):
        case "add":
            return data[:at] + bytes([chance.randrange(256)]) + data[at:]
        case "drop" if data:
            at = min(at, len(data) - 1)
            return data[:at] + data[at + 1 :]
        case _ if data:
            at = min(at, len(data) - 1)
            return data[:at] + bytes([data[at] ^ 1 << chance.randrange(8)]) + data[at + 1 :]
    return b"x"


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150)
@given(seed=st.integers(0, 2**32))
@pytest.mark.slow
def test_one_byte_anywhere_is_caught(seed: int, signed: Path, read: Any, zipped: Any, tmp_path: Path) -> None:
    """Payload, manifests, bag-info and signature, each as likely."""
    chance = random.Random(seed)
    files = _read_once(signed, read)
    rooms = [[n for n in files if "/data/" in n], [n for n in files if "manifest" in n]]
    rooms += [[f"{FOLDER}/bag-info.txt"], [f"{FOLDER}/signature.p7s"], [f"{FOLDER}/bagit.txt"]]
    name = chance.choice(chance.choice(rooms))
    made = changed(files[name], chance)
    if made == files[name]:  # a byte put beside its like, or one of a pair dropped, is a change all the same
        return
    found = verify(zipped(tmp_path / "x.zip", {**files, name: made}))
    assert found.faults, name


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150)
@given(seed=st.integers(0, 2**32))
def test_one_byte_of_the_zip_file_is_caught_or_changes_nothing(
    seed: int, signed: Path, read: Any, tmp_path: Path
) -> None:
    chance = random.Random(seed)
    before = signed.read_bytes()
    path = tmp_path / "x.zip"
    # Half of them in the list of entries and its neighbourhood, where the metadata is.
    listed = before.index(b"PK\x01\x02")
    if chance.random() < 0.5:
        path.write_bytes(before[:listed] + changed(before[listed:], chance))
    else:
        path.write_bytes(changed(before, chance))
    try:
        found = verify(path)
    except BagRefused:
        return
    assert found.faults or read(path) == _read_once(signed, read)


_once: dict[Path, Files] = {}


def _read_once(path: Path, read: Callable[[Path], Files]) -> Files:
    if path not in _once:
        _once[path] = read(path)
    return _once[path]


@pytest.mark.slow
def test_every_bit_of_a_signature_counts(signed: Path, read: Any, zipped: Any, tmp_path: Path) -> None:
    """Each byte of the signature with one bit changed, and each left out: none passes."""
    from hardenprobe.evidence import signature
    from hardenprobe.evidence.verify import certificates_text

    files = read(signed)
    der, data = files[f"{FOLDER}/signature.p7s"], files[f"{FOLDER}/tagmanifest-sha512.txt"]
    good = signature.check(der, data)
    named = certificates_text([good.certificate, *good.others])
    for at in range(len(der)):
        for made in (
            der[:at] + bytes([der[at] ^ 1]) + der[at + 1 :],
            der[:at] + bytes([der[at] ^ 0x80]) + der[at + 1 :],
            der[:at] + der[at + 1 :],
        ):
            try:
                found = signature.check(made, data)
            except signature.Wrong:
                continue
            assert certificates_text([found.certificate, *found.others]) != named, at
