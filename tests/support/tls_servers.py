"""Real TLS servers on loopback, scripted ones that misbehave, and a relay that counts. For tests and benchmarks."""

from __future__ import annotations

import contextlib
import datetime
import random
import re
import select
import shutil
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID

from hardenprobe.model import Observation
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.probes.tls import classes
from hardenprobe.probes.tls.classes import ask_classes
from hardenprobe.probes.tls.exchange import Talker
from hardenprobe.probes.tls.openings import OPENINGS
from hardenprobe.probes.tls.versions import ask_versions
from hardenprobe.probes.tls.walk import ask_suites
from hardenprobe.scope.limits import Timing

LOOPBACK = "127.0.0.1"
Key = rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey


class AnyAddress:
    """A permit for loopback tests: the scope is not what they are about."""

    def check(self, address: str) -> None:
        if not address.startswith("127.") and address != "::1":
            raise AssertionError(f"a test wanted to reach {address}")


def line_to(port: int, word: str = "tls", **timing: float) -> DeviceLink:
    """A line to one loopback port that may be spoken to."""
    waits = Timing(**{"pause": 0.0, "connections": 2000, **timing})  # type: ignore[arg-type]
    return DeviceLink(
        address=LOOPBACK, permit=AnyAddress(), may_speak={port: frozenset({word})}, timing=waits
    )


@dataclass(frozen=True, kw_only=True)
class Credentials:
    """A key and a certificate, as objects and as PEM files."""

    key: Key
    certificate: x509.Certificate
    key_file: Path
    certificate_file: Path


def issue(
    folder: Path,
    name: str,
    *,
    issuer: Credentials | None = None,
    key: Key | None = None,
    authority: bool = False,
    days: tuple[int, int] = (-1, 30),
    path_length: int | None = None,
    usage: bool = True,
    basic: bool = True,
    limits: x509.NameConstraints | None = None,
    names: tuple[x509.GeneralName, ...] = (x509.DNSName("demo.test"),),
) -> Credentials:
    """Make a certificate, self-signed where no issuer is given, and write both PEM files.

    Args:
        days: Begin and end, from now.
        usage: With keyCertSign, for an authority.
        basic: With basicConstraints.
        limits: Name constraints, for an authority.
    """
    own = key or ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.datetime.now(datetime.UTC)
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer.certificate.subject if issuer else subject)
        .public_key(own.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now + datetime.timedelta(days=days[0]))
        .not_valid_after(now + datetime.timedelta(days=days[1]))
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
    )
    if basic:
        constraint = x509.BasicConstraints(ca=authority, path_length=path_length if authority else None)
        builder = builder.add_extension(constraint, critical=True)
    if limits:
        builder = builder.add_extension(limits, critical=True)
    if authority:
        allowed = x509.KeyUsage(not usage, False, False, False, False, usage, usage, False, False)
        builder = builder.add_extension(allowed, critical=True)
    certificate = builder.sign(issuer.key if issuer else own, hashes.SHA256())
    stem = re.sub(r"\W+", "-", name)
    key_file, certificate_file = folder / f"{stem}.key", folder / f"{stem}.pem"
    key_file.write_bytes(own.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    certificate_file.write_bytes(certificate.public_bytes(Encoding.PEM))
    return Credentials(key=own, certificate=certificate, key_file=key_file, certificate_file=certificate_file)


@contextlib.contextmanager
def openssl_server(credentials: Credentials, *arguments: str) -> Iterator[int]:
    """`openssl s_server` on a port that the system chose."""
    command = ["openssl", "s_server", "-accept", f"{LOOPBACK}:0", "-www"]
    command += ["-key", str(credentials.key_file), "-cert", str(credentials.certificate_file), *arguments]
    process = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    assert process.stdout is not None
    try:
        for line in process.stdout:
            if match := re.match(r"ACCEPT .*:(\d+)", line):
                break
        else:
            raise RuntimeError(f"openssl s_server {' '.join(arguments)} did not start")
        threading.Thread(target=_drain, args=(process.stdout,), daemon=True).start()
        yield int(match[1])
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def _drain(stream: object) -> None:
    with contextlib.suppress(ValueError, OSError):
        for _ in stream:  # type: ignore[attr-defined]
            pass


@contextlib.contextmanager
def program(port: int, *command: str) -> Iterator[int]:
    """A server program that was told its port; ready when the port accepts."""
    process = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        _await_port(port, process)
        yield port
    finally:
        process.terminate()
        try:
            process.wait(5)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _await_port(port: int, process: subprocess.Popen[bytes]) -> None:
    waiter = threading.Event()
    until = time.monotonic() + 15  # a busy machine starts some servers slowly
    while time.monotonic() < until:
        if process.poll() is not None:
            raise RuntimeError(f"{process.args!r} ended with {process.returncode}")
        with contextlib.suppress(OSError), socket.create_connection((LOOPBACK, port), 1):
            return
        waiter.wait(0.02)
    raise RuntimeError(f"{process.args!r} does not accept at {port}")


def free_port() -> int:
    """A port for a program that cannot be given 0; below those that the system gives to whoever connects meanwhile."""
    for port in random.sample(range(30000, 32700), 100):
        with contextlib.suppress(OSError), socket.socket() as probe:
            probe.bind(("", port))
            return port
    raise RuntimeError("a hundred ports are in use")


@contextlib.contextmanager
def gnutls_server(credentials: Credentials, priority: str) -> Iterator[int]:
    """GnuTLS's own server."""
    port = free_port()
    files = ["--x509keyfile", str(credentials.key_file), "--x509certfile", str(credentials.certificate_file)]
    with program(port, "gnutls-serv", "--quiet", "--http", "-p", str(port), "--priority", priority, *files):
        yield port


@contextlib.contextmanager
def nginx_server(folder: Path, credentials: Credentials, protocols: str, ciphers: str) -> Iterator[int]:
    """nginx with one TLS listener."""
    port = free_port()
    config = folder / f"nginx-{port}.conf"
    paths = "".join(
        f"{kind}_temp_path {folder}/{kind}-{port}; "
        for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    config.write_text(
        f"daemon off; master_process off; pid {folder}/nginx-{port}.pid; error_log /dev/null;\n"
        f"events {{}}\nhttp {{ access_log off; {paths}\nserver {{ listen {LOOPBACK}:{port} ssl;\n"
        f"ssl_certificate {credentials.certificate_file}; ssl_certificate_key {credentials.key_file};\n"
        f"ssl_protocols {protocols}; ssl_ciphers {ciphers}; ssl_prefer_server_ciphers on; }} }}\n"
    )
    with program(port, shutil.which("nginx") or "/usr/sbin/nginx", "-c", str(config), "-e", "/dev/null"):
        yield port


@contextlib.contextmanager
def threaded(handle: Callable[[socket.socket], None]) -> Iterator[int]:
    """A server that runs `handle` on each connection, one after another, and closes it afterwards."""
    stop = threading.Event()
    listener = socket.create_server((LOOPBACK, 0), backlog=64)

    def serve() -> None:
        while not stop.is_set():
            readable, _, _ = select.select([listener], [], [], 0.05)
            if not readable:
                continue
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            with (
                connection,
                contextlib.suppress(Exception),
            ):  # a peer that hangs up early is what the probe does
                connection.settimeout(5)
                handle(connection)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield int(listener.getsockname()[1])
    finally:
        stop.set()
        thread.join(6)
        listener.close()


def tls_handler(context: ssl.SSLContext) -> Callable[[socket.socket], None]:
    """For `threaded`: one handshake of the standard library, then wait for the peer to leave."""

    # Over memory buffers: wrap_socket leaves an open socket behind when a peer has gone before it begins.
    def handle(connection: socket.socket) -> None:
        incoming, outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
        secured = context.wrap_bio(incoming, outgoing, server_side=True)
        while True:
            try:
                secured.do_handshake()
            except ssl.SSLWantReadError:
                connection.sendall(outgoing.read())
                if not (data := connection.recv(65536)):
                    return
                incoming.write(data)
            except ssl.SSLError:
                connection.sendall(outgoing.read())
                return
            else:
                connection.sendall(outgoing.read())
                connection.recv(1)
                return

    return handle


class CountingRelay:
    """Passes bytes on to a target and counts the connections."""

    def __init__(self, target: int) -> None:
        self._target = target
        self.connections = 0
        self._listener = socket.create_server((LOOPBACK, 0), backlog=256)
        self.port = int(self._listener.getsockname()[1])
        self._threads: list[threading.Thread] = []
        threading.Thread(target=self._serve, daemon=True).start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()

    def _serve(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            self.connections += 1
            try:
                far = socket.create_connection((LOOPBACK, self._target))
            except OSError:
                near.close()
                continue
            left = threading.Semaphore(0)
            for pair in ((near, far), (far, near)):
                threading.Thread(target=_pump, args=(*pair, left), daemon=True).start()
            threading.Thread(target=_close_both, args=(near, far, left), daemon=True).start()


def _pump(source: socket.socket, sink: socket.socket, left: threading.Semaphore) -> None:
    with contextlib.suppress(OSError):
        while data := source.recv(65536):
            sink.sendall(data)
    for end in (source, sink):
        with contextlib.suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
    left.release()


def _close_both(near: socket.socket, far: socket.socket, left: threading.Semaphore) -> None:
    left.acquire()
    left.acquire()
    near.close()
    far.close()


async def probe_tls(
    line: DeviceLink,
    port: int,
    *,
    anchors: TrustAnchors,
    depth: str = "versions",
    server_name: str | None = None,
    reached: str = "implicit",
) -> list[Observation[Any]]:
    """Ask a port for TLS.

    Args:
        depth: "versions" for versions and certificate; "full" adds a TlsSuites observation; "suites" adds one that
            leaves out what is neither version nor suite and would cost connections of its own; "classes" has it ask for one
            suite of each class.
        reached: "implicit", or a protocol of tls_openings.OPENINGS, which must be granted at the port.

    Raises:
        ScopeRefused: The port may not be spoken to.
        CeilingReached: The ceiling came before the first answer.
    """
    word = "tls" if reached == "implicit" else reached
    talker = Talker(
        line=line,
        port=port,
        word=word,
        opening=OPENINGS.get(reached),
        server_name=server_name,
        limit=classes.MOST if depth == "classes" else None,
    )
    found, port_facts = await ask_versions(talker, anchors, reached)
    spoken = "tls" if reached == "implicit" else f"{reached}+tls"
    endpoint = line.endpoint(port, protocol=spoken if port_facts.speaks else None)
    seen: list[Observation[Any]] = [line.observation(port_facts, endpoint, *talker.recorders)]
    if found is not None and depth != "versions":
        talker.recorders.clear()
        suites = await (
            ask_classes(found) if depth == "classes" else ask_suites(found, beyond=depth == "full")
        )
        seen.append(line.observation(suites, endpoint, *talker.recorders))
    return seen
