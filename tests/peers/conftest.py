"""Programs that nobody here wrote, each on a loopback address of its own, scanned once a file and judged."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import itertools
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from support.scans import job_and_rules
from support.servers import ACCEPT_AND_RUN

from hardenprobe.baseline import baseline
from hardenprobe.demo_lab.process import BASELINE
from hardenprobe.devices.credentials import Secrets
from hardenprobe.devices.inventory import Inventory
from hardenprobe.library import scan_and_judge
from hardenprobe.model import Reach, Review
from hardenprobe.planning import plan, vantage
from hardenprobe.plugins import registry
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.scope.scope import Scope

PATIENCE = 15.0  # seconds for a program to become ready; they need well under one
HOME = "127.0.0.1"  # our own address, where a test does not say otherwise

# The checks that find a service; others may find fault with the same service as well.
SERVICE_CHECKS = frozenset(
    {
        "cleartext-ftp",
        "cleartext-http-management",
        "cleartext-print-raw",
        "cleartext-telnet",
        "snmp-cleartext-version",
        "tls-deprecated-version",
        "unexpected-service",
    }
)

# ---- where programs live, and how they begin and end


@pytest.fixture(scope="session")
def port_offset() -> int:
    """What is added to every port: nothing where this user may bind the standard ones."""
    with socket.socket() as sock:
        try:
            sock.bind(("127.78.0.1", 1))
        except PermissionError:
            return 20000
    return 0


@pytest.fixture(scope="session")
def address() -> Callable[[], str]:
    """A loopback address that no other program of this run has; two runs at once are unlikely to meet."""
    numbers = itertools.count(1)
    return lambda: f"127.78.{1 + os.getpid() % 250}.{next(numbers)}"


@pytest.fixture(scope="session")
def program() -> Callable[[str, str], str]:
    """Find a program by name; skip where its Debian package is not installed, fail on the build machine."""

    def find(name: str, package: str) -> str:
        path = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")
        if path is None and os.environ.get("CI"):
            pytest.fail(f"needs the Debian package {package}, which the build must install")
        if path is None:
            pytest.skip(f"needs the Debian package {package}")
        return path

    return find


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """Make a folder for one program's files."""
    return tmp_path_factory.mktemp


@pytest.fixture(scope="module")
def start(port_offset: int) -> Iterator[Callable[..., None]]:
    """Start a program and wait until it is ready; it ends with the file's tests."""
    with ExitStack() as ending:

        def run(
            command: Sequence[str | Path],
            where: Path,
            *,
            accepts: tuple[str, int] | None = None,
            ready: Callable[[], bool] | None = None,
            environment: Mapping[str, str] | None = None,
        ) -> None:
            output = where / "output"
            with output.open("wb") as out:
                process = subprocess.Popen(
                    command,
                    cwd=where,
                    env={**os.environ, **(environment or {})},
                    stdin=subprocess.PIPE,  # kept open: openssl s_server ends where its input ends
                    stdout=out,
                    stderr=subprocess.STDOUT,
                    start_new_session=True,
                )
            ending.callback(_end, process)
            until = time.monotonic() + PATIENCE
            while not (ready() if ready else accepts and _accepts(accepts[0], accepts[1] + port_offset)):
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(0.02)  # comes back at once when it has ended
                if process.poll() is not None or time.monotonic() > until:
                    said = output.read_text(errors="replace")[-2000:]
                    pytest.fail(f"{command[0]} is not ready; status {process.poll()}: {said}")

        yield run


def _accepts(host: str, port: int) -> bool:
    try:
        socket.create_connection((host, port), 1, source_address=(HOME, 0)).close()
    except OSError:
        return False
    return True


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a program with the children in its process group, and wait for it."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGTERM)
    try:
        process.wait(5)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    if process.stdin:
        process.stdin.close()


# ---- certificates


@dataclass(frozen=True)
class Signed:
    """A certificate with its key, in one PEM file."""

    file: Path
    certificate: x509.Certificate
    key: ec.EllipticCurvePrivateKey


@pytest.fixture(scope="module")
def certificate(folder: Callable[[str], Path]) -> Callable[..., Signed]:
    """Issue a P-256 certificate, self-signed unless an issuer is given."""

    def issue(
        name: str,
        *,
        days: tuple[int, int] = (-10, 200),
        issuer: Signed | None = None,
        authority: bool = False,
    ) -> Signed:
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        now = datetime.now(UTC)
        builder = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(issuer.certificate.subject if issuer else subject)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now + timedelta(days=days[0]))
            .not_valid_after(now + timedelta(days=days[1]))
            .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
        )
        if not authority:
            shown = x509.DNSName(name) if name[-1].isalpha() else x509.IPAddress(ipaddress.ip_address(name))
            names = x509.SubjectAlternativeName([shown])
            builder = builder.add_extension(names, critical=False)
        made = builder.sign(issuer.key if issuer else key, hashes.SHA256())
        file = folder("certificate") / "both.pem"
        secret = key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
        file.write_bytes(made.public_bytes(serialization.Encoding.PEM) + secret)
        return Signed(file, made, key)

    return issue


# ---- programs


@pytest.fixture(scope="module")
def s_server(
    folder: Callable[[str], Path],
    program: Callable[[str, str], str],
    start: Callable[..., None],
    port_offset: int,
) -> Callable[..., None]:
    """Start OpenSSL's test server on port 443 of an address."""

    def run(host: str, certificate: Path, *options: str) -> None:
        # The distribution's configuration forbids TLS 1.0 and 1.1; here the options decide.
        command = (program("openssl", "openssl"), "s_server", "-accept", f"{host}:{443 + port_offset}",
                   "-cert", certificate, *options)  # fmt: skip
        start(command, folder("s_server"), accepts=(host, 443), environment={"OPENSSL_CONF": os.devnull})

    return run


@pytest.fixture(scope="module")
def vsftpd(
    address: Callable[[], str],
    folder: Callable[[str], Path],
    program: Callable[[str, str], str],
    start: Callable[..., None],
    port_offset: int,
) -> Callable[..., str]:
    """Start an FTP daemon with the given settings beside those that it needs to run here."""

    def run(*settings: str) -> str:
        host, where = address(), folder("vsftpd")
        (where / "empty").mkdir()
        lines = [
            "listen=YES", f"listen_address={host}", f"listen_port={21 + port_offset}", "background=NO",
            f"secure_chroot_dir={where / 'empty'}", "local_enable=YES", "anonymous_enable=NO", *settings,
        ]  # fmt: skip
        if os.getuid() != 0:
            lines.append("run_as_launching_user=YES")
        (where / "vsftpd.conf").write_text("\n".join(lines) + "\n")
        start((program("vsftpd", "vsftpd"), where / "vsftpd.conf"), where, accepts=(host, 21))
        return host

    return run


@pytest.fixture(scope="module")
def each_connection(
    address: Callable[[], str],
    folder: Callable[[str], Path],
    program: Callable[[str, str], str],
    start: Callable[..., None],
    port_offset: int,
) -> Callable[..., str]:
    """Start a daemon of a package for every connection to a port, as inetd does."""

    def run(port: int, name: str, package: str) -> str:
        host, daemon = address(), program(name, package)
        command = (sys.executable, "-c", ACCEPT_AND_RUN, host, str(port + port_offset), daemon)
        start(command, folder(name), accepts=(host, port))
        return host

    return run


@pytest.fixture(scope="module")
def telnetd(each_connection: Callable[..., str]) -> Callable[..., str]:
    """Start a telnet daemon for every connection to a port."""
    return lambda port=23: each_connection(port, "telnetd", "inetutils-telnetd")


@pytest.fixture(scope="module")
def nginx(
    address: Callable[[], str],
    folder: Callable[[str], Path],
    program: Callable[[str, str], str],
    start: Callable[..., None],
    port_offset: int,
) -> Callable[..., dict[str, str]]:
    """Start one nginx with a named server, on port 80 of an address of its own, for each block of settings.

    Each serves a page titled Settings. {folder}, {offset} and {host} stand for its files, for what is added to ports, and for its address.
    """

    def run(**servers: str) -> dict[str, str]:
        where, hosts = folder("nginx"), {name: address() for name in servers}
        (where / "index.html").write_text("<title>Settings</title><p>Contrast, tray 2, sleep")
        (where / "passwords").write_text("clerk:{PLAIN}paper\n")
        blocks = "".join(
            f"server {{ listen {hosts[name]}:{80 + port_offset}; root {where};\n"
            + settings.replace("{folder}", str(where))
            .replace("{offset}", str(port_offset))
            .replace("{host}", hosts[name])
            + "\n}\n"
            for name, settings in servers.items()
        )
        temporary = "".join(
            f"{kind}_temp_path {where / kind};\n"
            for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        )
        (where / "nginx.conf").write_text(
            f"daemon off; master_process off; pid {where / 'pid'}; error_log stderr;\n"
            f"events {{}}\nhttp {{ access_log off; types {{ text/html html; }}\n{temporary}{blocks}}}\n"
        )
        command = (program("nginx", "nginx-light"), "-p", where, "-e", "stderr", "-c", where / "nginx.conf")
        start(command, where, accepts=(next(iter(hosts.values())), 80))
        return hosts

    return run


@pytest.fixture(scope="module")
def snmpd(
    address: Callable[[], str],
    folder: Callable[[str], Path],
    program: Callable[[str, str], str],
    start: Callable[..., None],
    snmpget: Callable[..., bool],
    port_offset: int,
) -> Callable[..., str]:
    """Start net-snmp's agent; it is ready when its manager, who asks with the given options, is answered."""

    def run(settings: Sequence[str], manager: Sequence[str]) -> str:
        host, where = address(), folder("snmpd")
        lines = (f"agentAddress udp:{host}:{161 + port_offset}", "sysName peer.example", *settings)
        (where / "snmpd.conf").write_text("\n".join(lines) + "\n")
        command = (
            program("snmpd", "snmpd"),
            "-f",
            "-Lo",
            "-C",
            "-c",
            where / "snmpd.conf",
            "-p",
            where / "pid",
        )
        start(
            command,
            where,
            ready=lambda: snmpget(host, *manager),
            environment={"SNMP_PERSISTENT_DIR": str(where / "kept"), "MIBS": ""},
        )
        return host

    return run


@pytest.fixture(scope="session")
def snmpget(program: Callable[[str, str], str], port_offset: int) -> Callable[..., bool]:
    """Tell whether an agent answers net-snmp's own client, asked with the given options."""

    def run(host: str, *options: str) -> bool:
        done = subprocess.run(
            (program("snmpget", "snmp"), *options, "-r2", "-t0.3", f"udp:{host}:{161 + port_offset}",
             "1.3.6.1.2.1.1.5.0"),
            env={**os.environ, "MIBS": ""}, capture_output=True, timeout=10, check=False,
        )  # fmt: skip
        return b"peer.example" in done.stdout

    return run


# ---- scanning and reading the verdicts


@pytest.fixture(scope="session")
def scan(port_offset: int) -> Callable[..., Review]:
    """Scan addresses with the shipped baseline: all its ports, all checks."""
    checks = registry.load(plugins=False)
    expected = baseline.load(str(BASELINE), checks)  # which knows their page of settings

    def run(
        *addresses: str,
        sources: Sequence[str] = (HOME,),
        anchors: Sequence[Path] = (),
        inventory: Inventory | None = None,
        reach: Reach = Reach.ASK,
        secrets: Secrets | None = None,
    ) -> Review:
        wanted, scope = plan.targets(addresses), Scope.loopback()
        return asyncio.run(
            scan_and_judge(
                *job_and_rules(
                    plan=plan.Plan(
                        targets=wanted,
                        tcp_ports=expected.tcp_ports,
                        udp_ports=expected.udp_ports,
                        reach=reach,
                        scope=scope,
                        vantages=vantage.points(sources, (), wanted, scope),
                        checks=checks.select(),
                        communities=expected.communities,
                        http_paths=expected.http_paths,
                        web=expected.web,
                        # A program on this machine answers within milliseconds, or never.
                        timing=replace(expected.timing, greeting=0.5, reply=1.5, pause=0.0),
                        port_offset=port_offset,
                    ),
                    baseline=expected,
                    registry=checks,
                    inventory=inventory or Inventory(),
                    anchors=TrustAnchors.load(anchors, system=False),
                    secrets=secrets or Secrets(),
                )
            )
        )

    return run


@pytest.fixture(scope="session")
def said() -> Callable[..., set[tuple[str | None, str | None, str]]]:
    """All that a check says of an address: place such as "tcp/443", subject, word; and reason for unknown and pass."""

    def of(
        review: Review, host: str, check: str, source: str | None = None
    ) -> set[tuple[str | None, str | None, str]]:
        (device,) = (d.id for d in review.devices if any(a.address == host for a in d.addresses))
        points = {v.name for v in review.vantages if source is None or v.source == source}
        return {
            (
                f"{r.endpoint.transport}/{r.endpoint.port}" if r.endpoint else None,
                r.subject,
                f"{r.result}, {r.reason}" if r.reason else str(r.result),
            )
            for r in review.results
            if (r.device, r.check) == (device, check) and r.vantage in points
        }

    return of


@pytest.fixture(scope="session")
def failing() -> Callable[[Review, str], set[tuple[str, str]]]:
    """The services that are found in clear, or found at all, at an address: check and place of what fails there."""

    def of(review: Review, host: str) -> set[tuple[str, str]]:
        return {
            (r.check, f"{r.endpoint.transport}/{r.endpoint.port}")
            for r in review.results
            if r.stands and r.endpoint and r.endpoint.address == host and r.check in SERVICE_CHECKS
        }

    return of
