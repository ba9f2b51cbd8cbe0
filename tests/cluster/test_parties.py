"""cluster: certificates, scheduler, workers and the list of them, in processes of their own, over loopback."""

from __future__ import annotations

import json
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from cryptography import x509
from support.cluster import Cluster, begin, cluster, command, run

from hardenprobe.cli import cli
from hardenprobe.cluster import certificates

OF_ANOTHER_VERSION = """
import sys
from hardenprobe.cluster import connection
connection.our_version = lambda: "0.0.9 (distributed 2026.8.0)"
from hardenprobe.cli import main
main(sys.argv[1:])
"""


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    with cluster(tmp_path_factory.mktemp("cluster"), ["office", "reading-room"]) as found:
        yield found


def test_certificates_are_what_rfc_5280_asks_and_keys_are_private(tmp_path: Path) -> None:
    """RFC 5280, sections 4.2.1.1, 4.2.1.2, 4.2.1.3 and 4.2.1.9; held by the verifier of `cryptography` too."""
    made = certificates.make(tmp_path / "c", ["scheduler", "office"], days=30)
    again = certificates.make(tmp_path / "c", ["annex"], days=30)
    anchor = x509.load_pem_x509_certificate((tmp_path / "c" / certificates.AUTHORITY).read_bytes())
    assert anchor.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    for folder in (*made, *again):
        assert sorted(file.name for file in folder.iterdir()) == [
            "authority.pem",
            "certificate.pem",
            "key.pem",
        ]
        assert (folder / "key.pem").stat().st_mode & 0o077 == 0
        leaf = x509.load_pem_x509_certificate((folder / "certificate.pem").read_bytes())
        leaf.verify_directly_issued_by(anchor)
        assert leaf.subject.rfc4514_string() == f"CN={folder.name}"
        issuer = leaf.extensions.get_extension_for_class(x509.AuthorityKeyIdentifier).value
        subject = anchor.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value
        assert issuer.key_identifier == subject.digest
        strict = ssl.create_default_context(cafile=str(folder / "authority.pem"))
        strict.verify_flags |= ssl.VerifyFlags.VERIFY_X509_STRICT
        strict.load_cert_chain(folder / "certificate.pem", folder / "key.pem")
    assert not list(tmp_path.glob("c/*/authority-key.pem"))


def test_a_certificate_is_not_made_twice_and_a_name_is_no_path(tmp_path: Path) -> None:
    folder = ["--folder", str(tmp_path / "c")]
    assert CliRunner().invoke(cli, ["vantage", "certificates", "office", *folder]).exit_code == 0
    for name, said in (("office", "is there already"), ("../office", "is no name of a vantage point")):
        refused = CliRunner().invoke(cli, ["vantage", "certificates", name, *folder])
        assert said in str(refused.exception)


def test_a_key_that_others_may_read_is_refused(tmp_path: Path) -> None:
    (folder,) = certificates.make(tmp_path / "c", ["scan"], days=1)
    (folder / "key.pem").chmod(0o644)
    said = run("vantage", "list", "--scheduler", "tls://127.0.0.1:1", "--certificates", str(folder))
    assert said.returncode == 2
    assert "chmod 600" in said.stderr


def test_without_the_extra_an_error_names_it(tmp_path: Path) -> None:
    (folder,) = certificates.make(tmp_path / "c", ["scan"], days=1)
    (tmp_path / "distributed.py").write_text("raise ImportError")
    asked = ("vantage", "list", "--scheduler", "tls://127.0.0.1:1", "--certificates", str(folder))
    said = run(*asked, PYTHONPATH=str(tmp_path))
    assert said.returncode == 2
    assert "pip install 'hardenprobe[fleet]'" in said.stderr


@pytest.mark.slow
def test_the_list_shows_each_worker_its_version_and_its_clock(running: Cluster) -> None:
    asked = (
        "vantage", "list", "--scheduler", running.address,
        "--certificates", str(running.folder / "scan"), "--json", "-",
    )  # fmt: skip
    there = json.loads(run(*asked).stdout)
    assert [one["vantage"] for one in there] == ["office", "reading-room"]
    for one in there:
        assert abs(one["clock_offset"]) <= one["within"] + 0.01  # the same clock
        assert one["version"].startswith("0.1.0 (distributed ")


@pytest.mark.slow
def test_no_party_listens_for_anything_but_tls_1_3(running: Cluster) -> None:
    """Every listening port of scheduler and workers, by the kernel."""
    parties = [running.scheduler, *(worker for _, worker in running.workers)]
    said = subprocess.run(["ss", "-ltnpH"], capture_output=True, text=True, check=True).stdout
    ours = [line for line in said.splitlines() if any(f"pid={p.pid}," in line for p in parties)]
    places = [line.split()[3].rpartition(":") for line in ours]
    assert len(places) == len(parties)
    older = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    older.check_hostname, older.verify_mode = False, ssl.CERT_NONE
    older.maximum_version = ssl.TLSVersion.TLSv1_2
    for host, _, port in places:
        assert host == "127.0.0.1"
        with socket.create_connection((host, int(port)), 5) as plain, pytest.raises(ssl.SSLError):
            older.wrap_socket(plain)


@pytest.mark.slow
def test_a_party_that_is_not_what_it_must_be_is_refused_with_the_reason(
    running: Cluster, tmp_path: Path
) -> None:
    certificates.make(tmp_path / "other", ["scan"], days=1)
    ours, at = running.folder, ("--scheduler", running.address)
    office = ("start", "--name", "office", *at, "--scope", str(ours / "scope.yaml"), "--certificates")
    other_version = [sys.executable, "-c", OF_ANOTHER_VERSION, "vantage", *office, str(ours / "office")]
    refused = {
        "it runs hardenprobe 0.0.9 (distributed 2026.8.0), and the scheduler": other_version,
        "its certificate is for 'reading-room', and not for vantage point 'office'": command(
            *office, str(ours / "reading-room")
        ),
        # A vantage point may not command others, and a stranger reaches nobody.
        "cannot be reached": command("list", *at, "--certificates", str(ours / "office")),
        "of one authority": command("list", *at, "--certificates", str(tmp_path / "other" / "scan")),
    }
    begun = {reason: begin(words) for reason, words in refused.items()}
    for reason, process in begun.items():
        said, _ = process.communicate(timeout=50)
        assert (process.returncode, reason in said, "Traceback" in said) == (2, True, False), said
