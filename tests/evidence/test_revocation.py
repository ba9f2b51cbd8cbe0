"""CRLs and OCSP responses that openssl issues, and what openssl says of the same path."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from cryptography.x509.oid import ExtendedKeyUsageOID

from hardenprobe.errors import FileInvalid
from hardenprobe.evidence.revocation import RevocationData
from hardenprobe.evidence.verify import verify

pytestmark = pytest.mark.peer
CONFIG = """
[ca]
default_ca = here
[here]
database = {folder}/index
crlnumber = {folder}/number
default_md = sha256
default_crl_days = 7
"""
Revoke = Callable[..., Path]


def openssl(*arguments: object, status: int = 0) -> str:
    done = subprocess.run(
        ["openssl", *map(str, arguments)], capture_output=True, check=False, timeout=30, text=True
    )
    assert done.returncode == status, done.stderr
    return done.stdout + done.stderr


@pytest.fixture
def index(tmp_path: Path) -> Callable[..., Path]:
    """The database of an authority (openssl-ca(1)), with certificates that are revoked since some days or not at all."""

    def write(*revoked: tuple[Any, float | None], reason: str = "keyCompromise") -> Path:
        lines: list[str] = []
        for holder, days in revoked:
            certificate = holder.certificate
            ends = f"{certificate.not_valid_after_utc:%y%m%d%H%M%SZ}"
            since = (
                f"{datetime.now(UTC) - timedelta(days):%y%m%d%H%M%SZ},{reason}" if days is not None else ""
            )
            subject = f"/CN={certificate.subject.rfc4514_string().removeprefix('CN=')}"
            state, serial = "V" if days is None else "R", f"{certificate.serial_number:X}"
            serial = serial.zfill(len(serial) + len(serial) % 2)
            lines.append(f"{state}\t{ends}\t{since}\t{serial}\tunknown\t{subject}\n")
        (tmp_path / "index").write_text("".join(lines))
        (tmp_path / "number").write_text("01\n")
        (tmp_path / "ca.cnf").write_text(CONFIG.format(folder=tmp_path))
        return tmp_path / "index"

    return write


@pytest.fixture
def crl(tmp_path: Path, index: Any, people: Any) -> Revoke:
    """Have openssl issue a CRL."""

    def issue(*revoked: tuple[Any, float], by: Any = None, options: tuple[object, ...] = ()) -> Path:
        index(*revoked)
        who = by or people.root
        out = tmp_path / "list.crl"
        openssl(
            "ca", "-gencrl", "-config", tmp_path / "ca.cnf", "-keyfile", who.key_file,
            "-cert", who.certificate_file, "-out", out, *options,
        )  # fmt: skip
        return out

    return issue


@pytest.fixture
def ocsp(tmp_path: Path, index: Any, people: Any) -> Revoke:
    """Have openssl answer about a certificate."""

    def answer(holder: Any, days: float | None, by: Any = None) -> Path:
        database = index((holder, days))
        who, root, out = by or people.root, people.root, tmp_path / "response"
        query = tmp_path / "query"
        openssl(
            "ocsp", "-issuer", root.certificate_file, "-cert", holder.certificate_file,
            "-reqout", query, "-no_nonce",
        )  # fmt: skip
        openssl(
            "ocsp", "-index", database, "-CA", root.certificate_file, "-rsigner", who.certificate_file,
            "-rkey", who.key_file, "-reqin", query, "-respout", out, "-ndays", "2",
        )  # fmt: skip
        return out

    return answer


def state(bag: Path, root: Any, *, crls: Any = (), responses: Any = (), now: datetime | None = None) -> Any:
    return verify(bag, [root.certificate], None, now, RevocationData.load(crls, responses))


def test_a_crl_without_the_signer_makes_a_bag_valid_and_openssl_agrees(
    signed: Path, people: Any, crl: Revoke
) -> None:
    given = crl()
    found = state(signed, people.root, crls=[given])

    assert (found.state, found.reached, found.open) == ("valid", "signature", [])
    assert any("CN=Example reviewer: not revoked by the CRL of" in line for line in found.told)
    words = ["-crl_check", "-CAfile", people.root.certificate_file, "-CRLfile", given]
    assert "OK" in openssl("verify", *words, people.signer.certificate_file)


def test_a_revoked_signer_is_said_and_openssl_agrees(signed: Path, people: Any, crl: Revoke) -> None:
    given = crl((people.signer, 0.5))
    found = state(signed, people.root, crls=[given])
    (fault,) = found.faults

    assert (found.state, fault.kind, found.of("signature")) == ("invalid", "certificate", "invalid")
    assert "CN=Example reviewer: revoked on" in fault.text and "(keyCompromise)" in fault.text
    words = ["-crl_check", "-CAfile", people.root.certificate_file, "-CRLfile", given]
    assert "certificate revoked" in openssl("verify", *words, people.signer.certificate_file, status=2)


def test_a_revocation_after_the_time_stamp_leaves_the_signature_valid(
    signed: Path, people: Any, crl: Revoke
) -> None:
    """RFC 5280 section 5.3.2 and common practice: a signature that existed before the revocation stands."""
    given = crl((people.signer, 0.5))
    before = datetime.now(UTC) - timedelta(0.75)
    found = state(signed, people.root, crls=[given], now=before)

    assert not found.faults and any("after" in line and "revoked on" in line for line in found.told)


@pytest.mark.parametrize("what", ["other key", "no such file", "too old", "may not sign"])
def test_a_crl_that_says_nothing_leaves_it_not_determined(
    what: str, packed: Any, people: Any, crl: Revoke, tmp_path: Path
) -> None:
    root, now = people.root, None
    bag = packed(people.signer, root)
    if what == "other key":
        elsewhere = type(people.authority)(tmp_path, people.authority.now)
        given = [crl(by=elsewhere.issue("Example root", ca=True))]
    elif what == "no such file":
        given = []
    elif what == "too old":
        given, now = [crl()], datetime.now(UTC) + timedelta(10)
        openssl(
            "verify", "-crl_check", "-CAfile", root.certificate_file, "-CRLfile", given[0],
            "-attime", int(now.timestamp()), people.signer.certificate_file, status=2,
        )  # fmt: skip
    else:
        given = [crl(by=people.signer)]
    found = state(bag, root, crls=given, now=now)

    assert not found.faults
    assert (found.state, found.of("signature")) == ("not determined", "not determined")


def test_ocsp_responses_good_and_revoked(signed: Path, people: Any, ocsp: Revoke) -> None:
    good = state(signed, people.root, responses=[ocsp(people.signer, None)])
    assert (good.state, good.faults) == ("valid", [])
    assert any("not revoked by the OCSP response of" in line for line in good.told)

    bad = state(signed, people.root, responses=[ocsp(people.signer, 0.5)])
    assert [fault.kind for fault in bad.faults] == ["certificate"]
    assert "revoked on" in bad.faults[0].text and "by the OCSP response of" in bad.faults[0].text


def test_who_may_sign_an_ocsp_response(signed: Path, people: Any, ocsp: Revoke) -> None:
    """RFC 6960 section 4.2.2.2: the issuer, or whom it has delegated by id-kp-OCSPSigning."""
    issue, root = people.authority.issue, people.root
    delegated = issue("Responder", root, usage=(ExtendedKeyUsageOID.OCSP_SIGNING,))
    plain = issue("No responder", root)
    assert state(signed, root, responses=[ocsp(people.signer, None, delegated)]).state == "valid"
    found = state(signed, root, responses=[ocsp(people.signer, None, plain)])
    assert found.state == "not determined" and "not signed by the issuer" in found.open[0][1]


def test_a_response_about_another_certificate_says_nothing(signed: Path, people: Any, ocsp: Revoke) -> None:
    other = people.authority.issue("Somebody else", people.root)
    found = state(signed, people.root, responses=[ocsp(other, None)])
    assert found.state == "not determined" and "no CRL and no OCSP response" in found.open[0][1]


def test_every_certificate_of_the_path_is_looked_at(packed: Any, people: Any, crl: Revoke) -> None:
    middle = people.authority.issue("Middle authority", people.root, ca=True)
    below = people.authority.issue("Below it", middle)
    found = state(packed(below, middle), people.root, crls=[crl((middle, 0.5))])
    assert any("CN=Middle authority: revoked on" in fault.text for fault in found.faults)
    assert any("CN=Below it" in text for _, text in found.open)


def test_files_that_hold_something_else(tmp_path: Path) -> None:
    junk = tmp_path / "junk"
    junk.write_bytes(b"-----BEGIN X509 CRL-----\nAAAA\n-----END X509 CRL-----\n")
    for crls, responses in (([junk], []), ([], [junk]), ([tmp_path / "absent"], [])):
        with pytest.raises(FileInvalid):
            RevocationData.load(crls, responses)
