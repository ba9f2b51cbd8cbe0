"""Signatures, each way against openssl: it accepts ours, and we accept its own."""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import ExtendedKeyUsageOID
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.errors import FileInvalid, UsageError
from hardenprobe.evidence import signature
from hardenprobe.evidence.bag import SIGNATURE, SIGNED
from hardenprobe.evidence.container import opened
from hardenprobe.evidence.pack import Signer
from hardenprobe.evidence.signature import Wrong

pytestmark = pytest.mark.peer
DATA = b"what was signed\n"


def openssl(*arguments: object, fails: bool = False) -> subprocess.CompletedProcess[bytes]:
    done = subprocess.run(["openssl", *map(str, arguments)], capture_output=True, check=False, timeout=30)
    assert (done.returncode != 0) == fails, done.stderr.decode()
    return done


def test_openssl_accepts_the_signature_of_a_bag(signed: Path, people: Any, tmp_path: Path) -> None:
    """The command that README and the bag name."""
    with opened(signed) as bag:
        bag.unpack(tmp_path / "bag")
    der, covered = tmp_path / "bag" / SIGNATURE, tmp_path / "bag" / SIGNED
    command = [
        "cms",
        "-verify",
        "-binary",
        "-inform",
        "DER",
        "-in",
        der,
        "-content",
        covered,
        "-out",
        "/dev/null",
    ]
    root = people.root.certificate_file
    assert b"erification successful" in openssl(*command, "-CAfile", root).stderr

    other = people.authority.issue("Nobody", ca=True).certificate_file
    openssl(*command, "-CAfile", other, fails=True)
    covered.write_bytes(covered.read_bytes()[:-1])
    openssl(*command, "-CAfile", root, fails=True)


PSS = ("-keyopt", "rsa_padding_mode:pss")


@pytest.mark.parametrize(
    ("kind", "extra"),
    [("rsa", ()), ("rsa", ("-nosmimecap",)), ("rsa", PSS), ("ec", ()), ("ec", ("-nosmimecap",))],
    ids=str,
)
def test_a_signature_that_openssl_made_is_accepted(
    people: Any, tmp_path: Path, kind: str, extra: tuple[str, ...]
) -> None:
    who = people.authority.issue(f"By openssl {kind}", people.root, kind=kind)
    (tmp_path / "data").write_bytes(DATA)
    out = tmp_path / "out.p7s"
    openssl(
        "cms", "-sign", "-binary", "-md", "sha512", "-in", tmp_path / "data", "-signer", who.certificate_file,
        "-inkey", who.key_file, "-outform", "DER", "-out", out, *extra,
    )  # fmt: skip
    found = signature.check(out.read_bytes(), DATA)
    assert found.certificate == who.certificate and found.at is not None
    with pytest.raises(Wrong, match="something else"):
        signature.check(out.read_bytes(), DATA + b"!")


def test_weak_digests_and_enclosed_content_are_refused(people: Any, tmp_path: Path) -> None:
    (tmp_path / "data").write_bytes(DATA)
    out = tmp_path / "out.p7s"
    common = [
        "cms", "-sign", "-binary", "-in", tmp_path / "data", "-signer", people.signer.certificate_file,
        "-inkey", people.signer.key_file, "-outform", "DER", "-out", out,
    ]  # fmt: skip
    for extra, says in (
        (["-md", "sha1"], "its digest is sha1"),
        (["-nodetach"], "carries what it signs"),
        (["-noattr"], "content type was not signed"),
    ):
        openssl(*common, *extra)
        with pytest.raises(Wrong, match=says):
            signature.check(out.read_bytes(), DATA)
    openssl(*common, "-nocerts")
    with pytest.raises(Wrong, match="not in it"):
        signature.check(out.read_bytes(), DATA)


@given(st.binary(max_size=300))
def test_any_bytes_are_survived(data: bytes) -> None:
    with pytest.raises(Wrong):
        signature.check(data, DATA)


def test_keys_that_cannot_sign_are_said_before_anything_is_packed(people: Any, tmp_path: Path) -> None:
    signer, root = people.signer, people.root
    with pytest.raises(UsageError, match="not the key of the first certificate"):
        Signer.load(root.key_file, signer.certificate_file, None)
    with pytest.raises(FileInvalid, match="no PEM key"):
        Signer.load(signer.certificate_file, signer.certificate_file, None)
    with pytest.raises(FileInvalid, match="no PEM certificate"):
        Signer.load(signer.key_file, signer.key_file, None)
    with pytest.raises(FileInvalid, match="cannot be read"):
        Signer.load(tmp_path / "absent", signer.certificate_file, None)
    key, locked = tmp_path / "ed.key", tmp_path / "locked.key"
    openssl("genpkey", "-algorithm", "ed25519", "-out", key)
    with pytest.raises(UsageError, match="another kind than RSA or EC"):
        Signer.load(key, signer.certificate_file, None)
    openssl("pkcs8", "-topk8", "-in", signer.key_file, "-out", locked, "-passout", "pass:example words")
    with pytest.raises(FileInvalid, match="HARDENPROBE_KEY_PASSWORD"):
        Signer.load(locked, signer.certificate_file, None)
    Signer.load(locked, signer.certificate_file, "example words")


def test_a_certificate_that_nobody_could_vouch_for_is_refused(people: Any) -> None:
    issue, root = people.authority.issue, people.root
    server = issue("Web server", root, usage=(ExtendedKeyUsageOID.SERVER_AUTH,))
    for who, says in (
        (issue("Ended", root, days=(-9, -1)), "it was valid until"),
        (issue("Coming", root, days=(1, 9)), "it is valid from"),
        (server, "another purpose"),
    ):
        with pytest.raises(FileInvalid, match=says):
            Signer.load(who.key_file, who.certificate_file, None)


def test_a_certificate_of_version_1_is_refused(people: Any, tmp_path: Path) -> None:
    """As older openssl makes it where no extensions are named: openssl takes it, most other programs do not."""
    from asn1crypto import pem, x509

    old = x509.Certificate.load(people.signer.certificate.public_bytes(Encoding.DER))
    del old["tbs_certificate"]["extensions"]
    old["tbs_certificate"]["version"] = "v1"
    out = tmp_path / "v1.pem"
    out.write_bytes(pem.armor("CERTIFICATE", old.dump(force=True)))
    assert "Version: 1" in openssl("x509", "-in", out, "-noout", "-text").stdout.decode()
    with pytest.raises(FileInvalid, match="version 1; make it anew"):
        Signer.load(people.signer.key_file, out, None)
