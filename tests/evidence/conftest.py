"""Small bags of an invented fleet, and an invented authority that vouches for who signs them."""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from hardenprobe.evidence import pack, source
from hardenprobe.evidence.source import Wanted
from hardenprobe.model.usage import UsageSource, Use
from hardenprobe.store import opening, store
from hardenprobe.store import usage as kept_usage
from hardenprobe.testing import sample_review

REVIEW = "20260302-210000-7c1e5a"
PEM = (Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


@dataclass
class Holder:
    """A certificate and its key, as files too."""

    key: Any
    certificate: x509.Certificate
    key_file: Path
    certificate_file: Path


@dataclass
class Authority:
    """Issues certificates into a folder."""

    folder: Path
    now: datetime

    def issue(
        self,
        name: str,
        by: Holder | None = None,
        *,
        kind: str = "ec",
        ca: bool = False,
        days: tuple[int, int] = (-1, 30),
        usage: tuple[x509.ObjectIdentifier, ...] = (),
        critical: bool = False,
    ) -> Holder:
        key: Any = ec.generate_private_key(ec.SECP256R1())
        if kind == "rsa":
            key = rsa.generate_private_key(65537, 2048)
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        builder = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(by.certificate.subject if by else subject)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(self.now + timedelta(days[0]))
            .not_valid_after(self.now + timedelta(days[1]))
            .add_extension(x509.BasicConstraints(ca, None), critical=True)
        )
        if usage:
            builder = builder.add_extension(x509.ExtendedKeyUsage(usage), critical=critical)
        certificate = builder.sign(by.key if by else key, hashes.SHA256())
        stem = self.folder / name.replace(" ", "-")
        holder = Holder(key, certificate, stem.with_suffix(".key"), stem.with_suffix(".pem"))
        holder.key_file.write_bytes(key.private_bytes(*PEM))
        holder.certificate_file.write_bytes(certificate.public_bytes(Encoding.PEM))
        return holder


@dataclass
class People:
    authority: Authority
    root: Holder
    signer: Holder
    stamper: Holder


@pytest.fixture(scope="session")
def people(tmp_path_factory: pytest.TempPathFactory) -> People:
    """A root, somebody who signs, and somebody who stamps."""
    made = Authority(tmp_path_factory.mktemp("people"), datetime.now(UTC).replace(microsecond=0))
    root = made.issue("Example root", ca=True)
    return People(
        authority=made,
        root=root,
        signer=made.issue("Example reviewer", root),
        stamper=made.issue(
            "Example clock", root, kind="rsa", usage=(ExtendedKeyUsageOID.TIME_STAMPING,), critical=True
        ),
    )


@pytest.fixture(scope="session")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[store.Store]:
    """A store that holds one review, and who used a service of its first device."""
    sample = sample_review(3, hostile=True)
    with opening.opened(str(tmp_path_factory.mktemp("store") / "store.db")) as db:
        db.save(replace(sample, head=replace(sample.head, id=REVIEW)))
        address = sample.devices[0].addresses[0].address
        seen = UsageSource(
            id="u-1", kind="capture", name="a.pcap", sha256="0" * 64, place="the router", packets=9, devices=(address,),
            first="2026-02-10T00:00:00Z", last="2026-02-25T00:00:00Z",
        )  # fmt: skip
        use = Use(
            source="u-1", client="192.0.2.40", address=address, transport="tcp", port=515, conversations=31,
            first="2026-02-11T08:00:00Z", last="2026-02-24T16:30:00Z", bytes_sent=812345, bytes_received=9,
        )  # fmt: skip
        kept_usage.keep(db, seen, [use])
        yield db


@pytest.fixture(scope="session")
def packed(
    kept: store.Store, people: People, tmp_path_factory: pytest.TempPathFactory
) -> Callable[..., Path]:
    """Pack that review into a file of its own; `signer` signs it."""
    folder = tmp_path_factory.mktemp("bags")

    def make(signer: Holder | None = None, *chain: Holder) -> Path:
        out = folder / f"{len(list(folder.iterdir()))}.zip"
        who = None
        if signer:
            certificates = (signer.certificate, *(one.certificate for one in chain))
            who = pack.Signer(key=signer.key, certificates=certificates)
        pack.pack(source.of(kept, REVIEW), Wanted(self_test={"absent": "a test"}), out, who)
        return out

    return make


@pytest.fixture(scope="session")
def signed(packed: Callable[..., Path], people: People) -> Path:
    return packed(people.signer, people.root)


@pytest.fixture(scope="session")
def unsigned(packed: Callable[..., Path]) -> Path:
    return packed()


@pytest.fixture(scope="session")
def read() -> Callable[[Path], dict[str, bytes]]:
    """Every file of a bag, by the name in the zip file."""

    def files(path: Path) -> dict[str, bytes]:
        with zipfile.ZipFile(path) as archive:
            return {name: archive.read(name) for name in archive.namelist()}

    return files


@pytest.fixture(scope="session")
def zipped() -> Callable[[Path, Mapping[str, bytes]], Path]:
    """Write a plain zip file."""

    def write(path: Path, files: Mapping[str, bytes]) -> Path:
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, data in files.items():
                archive.writestr(zipfile.ZipInfo(name), data)
        return path

    return write


@pytest.fixture(scope="session")
def relisted() -> Callable[[dict[str, bytes]], dict[str, bytes]]:
    """Write all manifests of a bag anew, as somebody would who changed it on purpose."""

    def anew(files: dict[str, bytes]) -> dict[str, bytes]:
        folder = next(iter(files)).partition("/")[0]
        plain = {name.partition("/")[2]: data for name, data in files.items()}
        plain = {n: d for n, d in plain.items() if "manifest-" not in n}
        for prefix in ("manifest", "tagmanifest"):
            apart = {n: d for n, d in plain.items() if n.startswith("data/") == (prefix == "manifest")}
            apart = {n: d for n, d in apart.items() if n not in ("signature.p7s", "timestamp.tst")}
            for algorithm in ("sha256", "sha512"):
                lines = [f"{hashlib.new(algorithm, apart[n]).hexdigest()}  {n}\n" for n in sorted(apart)]
                plain[f"{prefix}-{algorithm}.txt"] = "".join(lines).encode()
        return {f"{folder}/{name}": data for name, data in plain.items()}

    return anew
