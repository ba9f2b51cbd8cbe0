"""Time stamps by `openssl ts`, an authority of RFC 3161 that others wrote."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from cryptography.x509.oid import ExtendedKeyUsageOID
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.errors import UsageError
from hardenprobe.evidence import stamping, timestamp
from hardenprobe.evidence.container import opened
from hardenprobe.evidence.signature import Wrong
from hardenprobe.evidence.verify import verify

pytestmark = pytest.mark.peer
CONFIG = """
[tsa]
default_tsa = here
[here]
serial = {folder}/serial
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha1, sha256, sha384, sha512
ess_cert_id_chain = no
ess_cert_id_alg = {ess}
"""


def openssl(*arguments: object) -> str:
    done = subprocess.run(
        ["openssl", *map(str, arguments)], capture_output=True, check=False, timeout=30, text=True
    )
    assert done.returncode == 0, done.stderr
    return done.stdout + done.stderr


@pytest.fixture
def stamp(tmp_path: Path) -> Callable[..., bytes]:
    """Answer a request, as the authority `by`."""

    def answer(request: bytes, by: Any, ess: str = "sha256") -> bytes:
        config, query, reply = tmp_path / "tsa.cnf", tmp_path / "query", tmp_path / "reply"
        config.write_text(CONFIG.format(folder=tmp_path, ess=ess))
        query.write_bytes(request)
        openssl(
            "ts", "-reply", "-config", config, "-queryfile", query, "-signer", by.certificate_file,
            "-inkey", by.key_file, "-out", reply,
        )  # fmt: skip
        return reply.read_bytes()

    return answer


@pytest.fixture
def bag(signed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(signed, tmp_path / "bag.zip"))


def test_the_request_is_what_openssl_reads(tmp_path: Path) -> None:
    """Of "abc", whose SHA-512 the hash library has too; nonce as RFC 3161 section 2.4.1 has it."""
    query = tmp_path / "query"
    query.write_bytes(timestamp.request(b"abc", 0x1F2E3D4C5B6A7988))
    told = openssl("ts", "-query", "-in", query, "-text")
    assert "Nonce: 0x1F2E3D4C5B6A7988" in told
    assert "Hash Algorithm: sha512" in told and "Certificate required: yes" in told
    assert "dd af 35 a1 93 61 7a ba-cc 41 73 49 ae 20 41 31" in told


@pytest.mark.parametrize("ess", ["sha1", "sha256", "sha512"])
def test_a_stamped_bag_is_whole_and_vouched_for(bag: Path, stamp: Any, people: Any, ess: str) -> None:
    before, sent = verify(bag).digest, stamping.request(bag)
    found = stamping.attach(bag, stamp(sent, people.stamper, ess), sent)
    assert abs(datetime.now(UTC) - found.at) < timedelta(minutes=1)

    root = [people.root.certificate]
    verdict = verify(bag, root, root)
    assert not verdict.faults and verdict.digest == before
    assert "CN=Example clock, nonce checked; authenticated by trust anchor CN=Example root" in verdict.told[0]
    assert any("at the time of the time stamp" in line for line in verdict.told)
    assert "not authenticated" in verify(bag).told[0]
    with pytest.raises(UsageError, match="has a time stamp already"):
        stamping.attach(bag, stamp(sent, people.stamper), sent)


def test_a_reply_to_another_request_is_refused(bag: Path, stamp: Any, people: Any) -> None:
    """RFC 3161 section 2.4.2: the nonce of the response must be that of the request, else it is rejected."""
    sent, other = stamping.request(bag), stamping.request(bag)
    assert sent != other, "each has a nonce of its own"
    reply = stamp(sent, people.stamper)
    with pytest.raises(UsageError, match="its nonce is not that of the request"):
        stamping.attach(bag, reply, other)
    with pytest.raises(UsageError, match="is a request for a time stamp of something else"):
        stamping.attach(bag, reply, timestamp.request(b"something else"))
    with pytest.raises(UsageError, match="no request for a time stamp"):
        stamping.attach(bag, reply, b"junk")


@pytest.mark.slow
def test_the_request_in_a_bag_cannot_be_changed_or_left_alone(
    bag: Path, stamp: Any, people: Any, read: Any, zipped: Any, tmp_path: Path
) -> None:
    sent = stamping.request(bag)
    stamping.attach(bag, stamp(sent, people.stamper), sent)
    files = read(bag)
    name = next(one for one in files if one.endswith("timestamp.tsq"))
    for at in range(len(sent)):
        made = sent[:at] + bytes([sent[at] ^ 1]) + sent[at + 1 :]
        (fault,) = verify(zipped(tmp_path / "x.zip", {**files, name: made})).faults
        assert fault.file == "timestamp.tsq", at
    alone = {one: data for one, data in files.items() if not one.endswith("timestamp.tst")}
    (fault,) = verify(zipped(tmp_path / "x.zip", alone)).faults
    assert fault.text == "it is there without a time stamp that answers it"


def test_openssl_verifies_the_token_in_the_bag(bag: Path, stamp: Any, people: Any, tmp_path: Path) -> None:
    """The command that the bag's README names."""
    sent = stamping.request(bag)
    stamping.attach(bag, stamp(sent, people.stamper), sent)
    with opened(bag) as file:
        file.unpack(tmp_path / "bag")
    folder, root = tmp_path / "bag", people.root.certificate_file
    told = openssl(
        "ts",
        "-verify",
        "-token_in",
        "-in",
        folder / "timestamp.tst",
        "-data",
        folder / "signature.p7s",
        "-CAfile",
        root,
    )
    assert "Verification: OK" in told


def test_a_bag_that_nobody_signed_is_stamped_too(
    unsigned: Path, tmp_path: Path, stamp: Any, people: Any
) -> None:
    bag = Path(shutil.copy(unsigned, tmp_path / "bag.zip"))
    sent = stamping.request(bag)
    stamping.attach(bag, stamp(sent, people.stamper), sent)
    assert not verify(bag, None, [people.root.certificate]).faults


def test_a_signer_whose_certificate_has_ended_stands_with_a_stamp(
    packed: Any, stamp: Any, people: Any
) -> None:
    """The time stamp shows that the certificate held when the bag was signed."""
    short = people.authority.issue("Short reviewer", people.root, days=(-3, 1))
    bag, root = packed(short), [people.root.certificate]
    later = datetime.now(UTC) + timedelta(5)
    assert [fault.kind for fault in verify(bag, root, None, later).faults] == ["certificate"]
    sent = stamping.request(bag)
    stamping.attach(bag, stamp(sent, people.stamper), sent)
    assert not verify(bag, root, root, later).faults
    assert verify(bag, root, None, later).faults, "a stamp that is not authenticated proves no time"


def test_a_stamp_of_something_else_or_by_somebody_else(bag: Path, stamp: Any, people: Any) -> None:
    whole = bag.read_bytes()
    with pytest.raises(UsageError, match="imprint is of something else"):
        stamping.attach(
            bag, stamp(timestamp.request(b"something else"), people.stamper), stamping.request(bag)
        )
    assert bag.read_bytes() == whole
    sent = stamping.request(bag)
    stamping.attach(bag, stamp(sent, people.stamper), sent)
    other = people.authority.issue("Other clock root", ca=True)
    (fault,) = verify(bag, None, [other.certificate]).faults
    assert (fault.kind, fault.file) == ("certificate", "timestamp.tst")
    (fault,) = verify(bag, None, [people.root.certificate], datetime.now(UTC) - timedelta(1)).faults
    assert fault.kind == "time" and "still to come" in fault.text


def test_an_old_imprint_and_a_certificate_for_other_purposes(stamp: Any, people: Any, tmp_path: Path) -> None:
    (tmp_path / "data").write_bytes(b"x")
    openssl("ts", "-query", "-data", tmp_path / "data", "-sha1", "-cert", "-out", tmp_path / "q")
    token = timestamp.token(stamp((tmp_path / "q").read_bytes(), people.stamper))
    with pytest.raises(Wrong, match="its imprint is sha1"):
        timestamp.check(token, b"x")
    openssl("ts", "-query", "-data", tmp_path / "data", "-sha256", "-out", tmp_path / "q")
    token = timestamp.token(stamp((tmp_path / "q").read_bytes(), people.stamper))
    with pytest.raises(Wrong, match="certificate is not in it"):
        timestamp.check(token, b"x")
    usages = {
        "not for time stamping": (),
        "time stamping alone": (ExtendedKeyUsageOID.TIME_STAMPING, ExtendedKeyUsageOID.CODE_SIGNING),
    }
    for says, usage in usages.items():
        who = people.authority.issue(f"Clock {len(usage)}", people.root, usage=usage, critical=True)
        with pytest.raises(Wrong, match=says):
            timestamp._may_stamp(who.certificate)


def test_every_bit_of_what_a_token_says_counts(stamp: Any, people: Any) -> None:
    token = timestamp.token(stamp(timestamp.request(b"abc"), people.stamper))
    good = timestamp.check(token, b"abc")
    for at in range(0, len(token), 3):
        made = token[:at] + bytes([token[at] ^ 4]) + token[at + 1 :]
        try:
            found = timestamp.check(made, b"abc")
        except Wrong:
            continue
        assert (found.at, found.certificate) == (good.at, good.certificate), at


@given(st.binary(max_size=300))
def test_any_bytes_are_survived(data: bytes) -> None:
    with pytest.raises(Wrong):
        timestamp.check(data, b"abc")
    with pytest.raises(UsageError):
        timestamp.token(data)


def test_a_refusal_of_the_authority_is_said() -> None:
    """PKIStatusInfo with status 2, rejection: RFC 3161 section 2.4.2."""
    with pytest.raises(UsageError, match="the time stamping authority says rejection"):
        timestamp.token(bytes.fromhex("30053003020102"))
