"""hardenprobe.probes.tls.second_opinion and its child process."""

from __future__ import annotations

import asyncio
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import rsa
from support.tls_servers import (
    CountingRelay,
    Credentials,
    issue,
    line_to,
    openssl_server,
    threaded,
)

from hardenprobe.errors import ScopeRefused
from hardenprobe.facts import TlsFlaws, TlsSecondOpinion
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.tls import second_opinion
from hardenprobe.probes.tls.codec import read_flight
from hardenprobe.probes.tls.second_opinion import probe_flaws, probe_second_opinion

OPENSSL = pytest.mark.skipif(not shutil.which("openssl"), reason="needs the Debian package openssl")


@pytest.fixture(scope="module")
def credentials(tmp_path_factory: pytest.TempPathFactory) -> Credentials:
    folder = tmp_path_factory.mktemp("second")
    return issue(folder, "device", key=rsa.generate_private_key(65537, 2048))


def flaws(line: DeviceLink, port: int, seconds: float = 60) -> TlsFlaws:
    [seen] = asyncio.run(probe_flaws(line, port, seconds=seconds))
    facts: TlsFlaws = seen.facts
    assert seen.transcript == ()
    return facts


@pytest.mark.peer
@pytest.mark.slow
@OPENSSL
def test_a_sound_server_and_what_it_cost(credentials: Credentials) -> None:
    with openssl_server(credentials, "-tls1_2") as target, CountingRelay(target) as relay:
        line = line_to(relay.port)
        facts = flaws(line, relay.port)

        assert (facts.heartbleed, facts.early_ccs, facts.padding_oracle) == ("sound", "sound", "sound")
        assert facts.connections == line.cost.connections == relay.connections > 0


def flawed(target: int) -> Callable[[socket.socket], None]:
    """A real server with two old flaws put before it: heartbeats are echoed, an early CCS leads to decryption."""

    def handle(near: socket.socket) -> None:
        near.settimeout(3)
        head = near.recv(5, socket.MSG_WAITALL)
        hello = head + near.recv(int.from_bytes(head[3:5], "big"), socket.MSG_WAITALL)
        with socket.create_connection(("127.0.0.1", target), 3) as far:
            far.sendall(hello)
            flight = b""
            while not flight or not read_flight(flight).done:
                flight += far.recv(65536)
            near.sendall(flight)
            kind = near.recv(1, socket.MSG_PEEK)
            if kind == b"\x18":
                near.sendall(b"\x18\x03\x03\x00\x23\x02\x00\x10" + b"\x01" * 16 + bytes(16))
                near.recv(1)
            elif kind == b"\x14":
                near.recv(6, socket.MSG_WAITALL)
                near.recv(7, socket.MSG_WAITALL)
                near.sendall(b"\x15\x03\x03\x00\x02\x02\x14")
                near.recv(1)
            else:
                far.settimeout(0.5)
                while data := near.recv(65536):
                    far.sendall(data)
                    near.sendall(far.recv(65536))

    return handle


@pytest.mark.peer
@pytest.mark.slow
@OPENSSL
def test_flaws_that_are_there_are_found(credentials: Credentials) -> None:
    with openssl_server(credentials, "-tls1_2") as target, threaded(flawed(target)) as port:
        facts = flaws(line_to(port), port)

    assert (facts.heartbleed, facts.early_ccs) == ("vulnerable", "vulnerable")


@pytest.mark.peer
@pytest.mark.slow
@OPENSSL
@pytest.mark.parametrize("ceiling", [3, 8, 12])
def test_what_the_ceiling_cut_is_never_sound(ceiling: int, credentials: Credentials) -> None:
    """The library takes a connection that closes for a sound answer; ours knows that it was never made."""
    with openssl_server(credentials, "-tls1_2") as target, CountingRelay(target) as relay:
        line = line_to(relay.port, connections=ceiling)
        facts = flaws(line, relay.port)

        assert relay.connections == ceiling
    assert facts.unknown_why == "ceiling"
    assert {facts.heartbleed, facts.early_ccs, facts.padding_oracle} == {"unknown"}


@pytest.mark.peer
@pytest.mark.slow
@OPENSSL
def test_an_enumeration_that_the_ceiling_cut_is_no_opinion(credentials: Credentials) -> None:
    with openssl_server(credentials, "-tls1_2") as target:
        [seen] = asyncio.run(probe_second_opinion(line_to(target, connections=100), target))

    assert seen.facts.suites == {}
    assert "ceiling" in seen.facts.fault


@pytest.mark.slow
def test_a_port_that_says_nothing_is_unknown_within_the_time(monkeypatch: pytest.MonkeyPatch) -> None:
    with threaded(lambda c: c.recv(65536) and c.recv(1)) as port:
        facts = flaws(line_to(port, reply=0.3), port, seconds=2)

    assert facts.heartbleed == "unknown"
    assert facts.unknown_why in ("crashed", "inconclusive")


@pytest.mark.slow
def test_a_child_without_memory_costs_one_opinion(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(second_opinion, "MEMORY", 60 * 1024 * 1024)
    with threaded(lambda c: None) as port:
        [seen] = asyncio.run(probe_second_opinion(line_to(port), port, seconds=20))

    assert isinstance(seen.facts, TlsSecondOpinion)
    assert seen.facts.suites == {}
    assert seen.facts.fault


def test_a_port_that_may_not_be_spoken_to_starts_no_child() -> None:
    with pytest.raises(ScopeRefused):
        asyncio.run(probe_flaws(line_to(1, "http"), 1))


ATTEMPTS = (
    "socket.create_connection(('127.0.0.1', {port} + 1))",
    "socket.create_connection(('127.0.0.2', {port}))",
    "socket.socket(socket.AF_INET, socket.SOCK_DGRAM).sendto(b'', ('127.0.0.1', 9))",
    "socket.getaddrinfo('device.test', 443)",
    "socket.gethostbyname('device.test')",
    "socket.socket().bind(('127.0.0.1', 0))",
    "__import__('subprocess').run(['true'])",
)


def test_the_child_reaches_one_port_and_nothing_else() -> None:
    code = "import socket\nfrom hardenprobe.probes.tls.second_opinion_child import hold_to\nhold_to({port})\n"
    for attempt in (*ATTEMPTS, "socket.create_connection(('127.0.0.1', {port}))"):
        code += f"try:\n    {attempt}\n    print('done')\nexcept PermissionError:\n    print('refused')\n"
    with threaded(lambda c: None) as port:
        command = [sys.executable, "-W", "ignore", "-c", code.replace("{port}", str(port))]
        environment = {**os.environ, "PYTHONPATH": str(Path.cwd())}
        done = subprocess.run(command, capture_output=True, text=True, check=False, env=environment)

    assert done.stdout.split() == ["refused"] * len(ATTEMPTS) + ["done"], done.stderr
