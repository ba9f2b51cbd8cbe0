"""hardenprobe.probes.pki.certificates"""

from __future__ import annotations

import shutil
import subprocess
from ipaddress import ip_address, ip_network
from pathlib import Path
from ssl import DER_cert_to_PEM_cert
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import NameOID
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.messages.certificates import certificate
from support.tls_servers import Credentials, issue

from hardenprobe.errors import FileInvalid
from hardenprobe.probes.pki.certificates import TrustAnchors, describe_chain


def der(*credentials: Credentials) -> list[bytes]:
    return [c.certificate.public_bytes(Encoding.DER) for c in credentials]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("certificates")


@pytest.fixture(scope="module")
def cases(folder: Path) -> dict[str, tuple[list[Credentials], list[Credentials]]]:
    """Case to what the server sends, the leaf first, and what is trusted."""
    root = issue(folder, "Root", authority=True)
    sub = issue(folder, "Sub", issuer=root, authority=True)
    short = issue(folder, "Short", issuer=root, authority=True, path_length=0)
    below_short = issue(folder, "Below short", issuer=short, authority=True)
    no_sign = issue(folder, "No sign", issuer=root, authority=True, usage=False)
    no_ca = issue(folder, "No authority", issuer=root)
    bare = issue(folder, "Bare", issuer=root, basic=False)
    other = issue(folder, "Other root", authority=True)
    twin = issue(folder, "Root of another key", authority=True)
    alone = issue(folder, "Alone")
    leaf = issue(folder, "leaf", issuer=sub)
    limits = {
        "own": ([x509.DNSName("demo.test")], None),
        "other": ([x509.DNSName("else.test")], None),
        "below": ([x509.DNSName(".demo.test")], None),
        "excluded": (None, [x509.DNSName("test")]),
        "network": ([x509.IPAddress(ip_network("192.0.2.0/24"))], None),
        "directory": ([x509.DirectoryName(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "x")]))], None),
        "mail": ([x509.RFC822Name("demo.test")], None),
    }
    bound = {
        name: issue(folder, name, issuer=root, authority=True, limits=x509.NameConstraints(*both))
        for name, both in limits.items()
    }

    def under(name: str, *names: x509.GeneralName) -> tuple[list[Credentials], list[Credentials]]:
        return [
            issue(folder, f"under {name} {names[0].value}", issuer=bound[name], names=names),
            bound[name],
        ], [root]

    own, inside, outside = x509.DNSName("demo.test"), "192.0.2.9", "198.51.100.9"
    return {
        "constraint kept": under("own", own),
        "constraint kept below": under("own", x509.DNSName("a.demo.test")),
        "constraint of a look-alike": under("own", x509.DNSName("xdemo.test")),
        "constraint broken": under("other", own),
        "constraint on names below": under("below", x509.DNSName("a.demo.test")),
        "constraint excludes": under("excluded", own),
        "constraint on addresses kept": under("network", x509.IPAddress(ip_address(inside))),
        "constraint on addresses broken": under("network", x509.IPAddress(ip_address(outside))),
        "constraint on another kind": under("network", own),
        "constraint on the subject": under("directory", own),
        "constraint on mail, none named": under("mail", own),
        "good path": ([leaf, sub], [root]),
        "root sent as well": ([leaf, sub, root], [root]),
        "odd ones between": ([leaf, other, twin, sub], [root]),
        "intermediate missing": ([leaf], [root]),
        "other anchor": ([leaf, sub], [other]),
        "no anchor": ([leaf, sub, root], []),
        "self-signed": ([alone], [root]),
        "self-signed and trusted": ([alone], [root, alone]),
        "expired leaf": ([issue(folder, "old", issuer=sub, days=(-30, -1)), sub], [root]),
        "issuer is no authority": ([issue(folder, "a", issuer=no_ca), no_ca], [root]),
        "issuer without basicConstraints": ([issue(folder, "b", issuer=bare), bare], [root]),
        "issuer may not sign": ([issue(folder, "c", issuer=no_sign), no_sign], [root]),
        "path length kept": ([issue(folder, "d", issuer=short), short], [root]),
        "path length passed": ([issue(folder, "e", issuer=below_short), below_short, short], [root]),
    }


CASES = (
    "constraint kept",
    "constraint kept below",
    "constraint of a look-alike",
    "constraint broken",
    "constraint on names below",
    "constraint excludes",
    "constraint on addresses kept",
    "constraint on addresses broken",
    "constraint on another kind",
    "constraint on the subject",
    "constraint on mail, none named",
    "good path",
    "root sent as well",
    "odd ones between",
    "intermediate missing",
    "other anchor",
    "no anchor",
    "self-signed",
    "self-signed and trusted",
    "expired leaf",
    "issuer is no authority",
    "issuer without basicConstraints",
    "issuer may not sign",
    "path length kept",
    "path length passed",
)


@pytest.mark.peer
@pytest.mark.skipif(not shutil.which("openssl"), reason="needs the Debian package openssl")
@pytest.mark.parametrize("case", CASES)
def test_openssl_judges_every_path_the_same(
    case: str, cases: dict[str, tuple[list[Credentials], list[Credentials]]], tmp_path: Path
) -> None:
    sent, trusted = cases[case]
    roots, others = tmp_path / "roots.pem", tmp_path / "others.pem"
    roots.write_bytes(b"".join(c.certificate_file.read_bytes() for c in trusted))
    others.write_bytes(b"".join(c.certificate_file.read_bytes() for c in sent[1:]))
    command = ["openssl", "verify", "-no_check_time", "-auth_level", "0", "-no-CApath", "-no-CAstore"]
    command += ["-CAfile", str(roots)] if trusted else ["-no-CAfile"]
    command += ["-untrusted", str(others)] if sent[1:] else []
    command.append(str(sent[0].certificate_file))
    theirs = subprocess.run(command, capture_output=True, text=True, check=False)

    anchors = TrustAnchors(certificates=tuple(c.certificate for c in trusted))
    ours = describe_chain(der(*sent), anchors)

    assert ours.path.trusted == (theirs.returncode == 0), (ours.path, theirs.stdout, theirs.stderr)
    assert (ours.path.error is None) == ours.path.trusted


def test_a_forged_signature_is_found(folder: Path) -> None:
    root = issue(folder, "Forged root", authority=True)
    liar = issue(folder, "Forged root", authority=True)
    leaf = issue(folder, "forged leaf", issuer=liar)
    chain = describe_chain(der(leaf), TrustAnchors(certificates=(root.certificate,)))

    assert not chain.path.trusted
    assert chain.path.error == "the signature by CN=Forged root is wrong"


@pytest.mark.peer
@pytest.mark.skipif(not shutil.which("openssl"), reason="needs the Debian package openssl")
@pytest.mark.parametrize("digest", ["sha1", "md5", "sha512"])
def test_weak_hashes_are_read_and_their_signatures_checked(digest: str, folder: Path, tmp_path: Path) -> None:
    root = issue(folder, "Weak root", authority=True, key=rsa.generate_private_key(65537, 2048))
    leaf = issue(folder, "weak leaf")
    request, out = tmp_path / "request.pem", tmp_path / "leaf.der"
    for command in (
        ["req", "-new", "-key", str(leaf.key_file), "-subj", "/CN=weak leaf", "-out", str(request)],
        ["x509", "-req", f"-{digest}", "-in", str(request), "-CA", str(root.certificate_file)]
        + ["-CAkey", str(root.key_file), "-outform", "DER", "-out", str(out)],
    ):
        subprocess.run(["openssl", *command], check=True, capture_output=True)
    chain = describe_chain([out.read_bytes()], TrustAnchors(certificates=(root.certificate,)))

    assert chain.certificates[0].signature_hash == digest
    assert (chain.path.trusted, chain.path.hashes) == (True, (digest,))


def test_facts_of_a_certificate(folder: Path) -> None:
    root = issue(folder, "Facts root", authority=True)
    leaf = issue(folder, "facts leaf", issuer=root)
    chain = describe_chain(der(leaf, root), TrustAnchors(certificates=(root.certificate,)))
    first = chain.certificates[0]

    assert (first.subject, first.issuer) == ("CN=facts leaf", "CN=Facts root")
    assert (first.key_type, first.key_bits, first.curve) == ("EC", 256, "secp256r1")
    assert (first.signature_hash, first.self_signed, first.names) == ("sha256", False, ("demo.test",))
    assert chain.certificates[1].self_signed
    assert (chain.path.anchor, chain.path.hashes) == ("CN=Facts root", ("sha256",))


def test_look_alikes_do_not_make_the_search_explode(folder: Path) -> None:
    key = issue(folder, "Twin", authority=True).key
    twins = [issue(folder, "Twin", key=key, authority=True) for _ in range(9)]
    leaf = issue(folder, "child of twins", issuer=twins[0])
    chain = describe_chain(der(leaf, *twins), TrustAnchors())

    assert not chain.path.trusted
    assert chain.path.error == "the path is too long"


@settings(max_examples=80, deadline=None)
@given(data=st.data())
def test_broken_certificates_are_described_and_never_raise(data: st.DataObject, folder: Path) -> None:
    at = data.draw(st.integers(0, 200))
    put = data.draw(st.binary(min_size=1, max_size=3))
    good = der(issue(folder, "broken"))[0]
    broken = good[:at] + put + good[at + 1 :]
    for ders in ([broken], [broken[:at]], [good, broken]):
        chain = describe_chain(ders, TrustAnchors())

        assert chain.fault or chain.certificates
        assert not chain.path.trusted


def test_anchor_files_are_read_and_wrong_ones_named(folder: Path, tmp_path: Path) -> None:
    root = issue(folder, "File root", authority=True)
    assert TrustAnchors.load([root.certificate_file], system=False).certificates == (root.certificate,)
    (tmp_path / "empty.pem").write_text("nothing\n")
    # The subject's UTF8String (X.690 section 8.23) becomes a type that no name has.
    odd = root.certificate.public_bytes(Encoding.DER).replace(b"\x0c\x09File root", b"\x0e\x09File root")
    (tmp_path / "odd.pem").write_text(DER_cert_to_PEM_cert(odd))
    for wrong in (tmp_path / "missing.pem", tmp_path / "empty.pem", tmp_path / "odd.pem"):
        with pytest.raises(FileInvalid, match=wrong.name):
            TrustAnchors.load([wrong], system=False)


@pytest.mark.parametrize(
    ("case", "issuer"),
    [("good path", True), ("issuer is no authority", False), ("issuer without basicConstraints", False)],
)
def test_who_may_issue_is_read(case: str, issuer: bool, cases: Any) -> None:
    """RFC 5280 section 4.2.1.9."""
    sent, _ = cases[case]
    leaf, above, *_ = describe_chain(der(*sent), TrustAnchors(certificates=())).certificates
    assert (leaf.authority, above.authority) == (False, issuer)
    assert leaf.purposes is None


@pytest.mark.peer
@pytest.mark.slow
@pytest.mark.skipif(not shutil.which("openssl"), reason="needs the Debian package openssl")
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(certificate())
def test_openssl_reads_the_same_certificate(data: bytes) -> None:
    """Dates, serial number and names agree, and ours takes nothing that openssl refuses.

    Ours refuses more, since it holds to DER: lengths in a longer form than need be, strings with characters that their type does
    not have, a version that there is none of, parameters of RSASSA-PSS that are missing. Such a certificate is "not determined".
    """
    read = [
        "openssl",
        "x509",
        "-inform",
        "DER",
        "-noout",
        "-serial",
        "-startdate",
        "-enddate",
        "-dateopt",
        "iso_8601",
    ]
    theirs = subprocess.run(read, input=data, capture_output=True, check=False)
    ours = describe_chain([data], TrustAnchors())

    if ours.fault is not None:
        return
    assert theirs.returncode == 0, theirs.stderr
    said = dict(line.split("=", 1) for line in theirs.stdout.decode().splitlines())
    seen = ours.certificates[0]
    dates = [said[name].replace(" ", "T") for name in ("notBefore", "notAfter")]
    assert [seen.not_before, seen.not_after] == dates
    assert int(seen.serial, 16) == int(said["serial"], 16)
