"""A pass needs proof that the protocol was spoken; so says each check of what breaks, stops or mimics its protocol."""

from __future__ import annotations

import asyncio
import itertools
import socket
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

import pytest
from support.scans import job_and_rules
from support.tls import seen_tls, tls_port, tls_suites
from support.tls_servers import threaded

from hardenprobe.baseline import baseline
from hardenprobe.checking.check import NoSettings
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.devices.inventory import Inventory
from hardenprobe.facts import HttpAnswer, TlsFlaws
from hardenprobe.judging.run_checks import held_to_proof
from hardenprobe.library import scan_and_judge
from hardenprobe.model import Reach, Reason, Review, Word
from hardenprobe.planning import plan, vantage
from hardenprobe.plugins import registry
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.scope import scope
from hardenprobe.testing import at, seen_device

CHECKS = registry.load(plugins=False)
SETTINGS = baseline.load("office-device", CHECKS).settings
TLS_CHECKS = [name for name in CHECKS.checks if name.startswith("tls-")]
NAME = "printer-1.office.test"
SUITES = tls_suites(
    {"TLS 1.2": ("TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256",), "TLS 1.3": ("TLS_AES_128_GCM_SHA256",)}
)
FLAWS = TlsFlaws(heartbleed="sound", early_ccs="sound", padding_oracle="sound")


Handle = Callable[[socket.socket], None]
QUICK = {"connect": 0.5, "greeting": 0.2, "reply": 0.4, "pause": 0.0, "second_try": 0.0}


def scan(port: int, handle: Handle, *only: str) -> dict[str, set[str]]:
    """Scan one real port of this machine with the shipped baseline and short waits; words by check."""
    with threaded(handle) as real:
        allowed = scope.Scope.loopback()
        targets = plan.targets(["127.0.0.1"])
        baseline_ = baseline.load("office-device", CHECKS)
        planned = plan.Plan(
            targets=targets,
            tcp_ports=(port,),
            udp_ports=(),
            reach=Reach.ASK,
            scope=allowed,
            vantages=vantage.points(["127.0.0.1"], (), targets, allowed),
            checks=CHECKS.select(only),
            communities=(),
            http_paths=baseline_.http_paths,
            web=baseline_.web,
            timing=replace(baseline_.timing, **QUICK),
            port_offset=real - port,
        )
        found: Review = asyncio.run(
            scan_and_judge(
                *job_and_rules(
                    plan=planned,
                    baseline=baseline_,
                    registry=CHECKS,
                    inventory=Inventory(),
                    decisions=Decisions(),
                    anchors=TrustAnchors(),
                )
            )
        )
    said: dict[str, set[str]] = {}
    for result in found.results:
        said.setdefault(result.check, set()).add(str(result.result))
    return said


def echo(connection: socket.socket) -> None:
    """RFC 862."""
    while data := connection.recv(65536):
        connection.sendall(data)


def in_turn(*greetings: bytes) -> Handle:
    """A server that greets differently from one connection to the next, and stays."""
    turns: Iterable[bytes] = itertools.chain(greetings, itertools.repeat(greetings[-1]))
    left = iter(turns)

    def handle(connection: socket.socket) -> None:
        connection.sendall(next(left))
        connection.recv(65536)

    return handle


ASKED_OF = {
    22: [n for n in CHECKS.checks if n.startswith("ssh-")],
    80: ["cleartext-http-management", "login-form-in-clear", "basic-auth-in-clear", "http-cookie-flags"],
    443: [n for n in CHECKS.checks if n.startswith("tls-") and CHECKS.checks[n].reach is Reach.ASK],
    445: ["smb1-dialect", "smb-signing-not-required"],
    631: ["cleartext-ipp", "ipp-no-authentication", "ipp-job-disclosure", "ipp-print-by-reference"],
    5355: ["discovery-llmnr"],
}


@pytest.mark.slow
@pytest.mark.parametrize("port", ASKED_OF)
def test_an_echo_of_our_own_bytes_proves_nothing(port: int) -> None:
    said = scan(port, echo)
    for check in (*ASKED_OF[port], "cleartext-telnet", "cleartext-ftp", "remote-screen-open"):
        assert said[check] == {"unknown"}, check


SSH2, SSH1, TELNET, FTP = b"SSH-2.0-x\r\n", b"SSH-1.99-x\r\n", b"\xff\xfd\x18", b"220 ready\r\n"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("port", "greetings", "check", "words"),  # by all checks, so that each protocol is spoken
    [
        (22, (SSH2, TELNET), "ssh-legacy-protocol", {"unknown"}),
        (22, (SSH2, TELNET), "cleartext-telnet", {"unknown"}),
        (21, (FTP, TELNET), "cleartext-telnet", {"unknown"}),
        (22, (SSH2, TELNET), "ssh-weak-cipher", {"unknown"}),
        (22, (SSH2, FTP), "ssh-legacy-protocol", {"unknown"}),
        (22, (SSH2, FTP), "ssh-weak-cipher", {"unknown"}),
        (22, (SSH2, SSH1), "ssh-weak-cipher", {"unknown"}),
        (21, (FTP, TELNET), "cleartext-ftp", {"unknown"}),
        (21, (FTP, SSH2), "cleartext-telnet", {"unknown"}),
        (5900, (b"RFB 003.008\n", b"hello there\r\n"), "cleartext-telnet", {"unknown"}),
        (23, (SSH2, TELNET), "cleartext-telnet", {"fail"}),
        (23, (SSH2, FTP), "cleartext-telnet", {"unknown"}),
        (23, (SSH2, SSH2), "cleartext-telnet", {"pass"}),
    ],
)
def test_a_greeting_that_changes_proves_nothing(
    port: int, greetings: tuple[bytes, ...], check: str, words: set[str]
) -> None:
    assert scan(port, in_turn(*greetings))[check] == words


@pytest.mark.slow
@pytest.mark.parametrize(
    ("greetings", "words"),
    [((SSH2, SSH1), {"fail", "unknown"}), ((SSH2, FTP), {"unknown"}), ((SSH2,), {"pass"})],
)
def test_an_ssh_identification_that_changes_later_proves_nothing(
    greetings: tuple[bytes, ...], words: set[str]
) -> None:
    """The probe that asks for algorithms hears it once more."""
    assert scan(22, in_turn(*greetings))["ssh-legacy-protocol"] == words


@pytest.mark.parametrize("check", ["login-form-in-clear", "basic-auth-in-clear"])
def test_a_path_that_fell_silent_lets_no_port_pass(check: str) -> None:
    """The first page came whole; the second never did."""
    first = at(80, HttpAnswer(tls=False, path="/", status=200), protocol="http", path="/")
    second = at(80, HttpAnswer(tls=False, path="/b", status=None, fault="silent"), protocol="http", path="/b")
    (whole,) = CHECKS.checks[check].judge(seen_device(first), NoSettings())
    (half,) = CHECKS.checks[check].judge(seen_device(first, second), NoSettings())
    assert (whole.word, half.word, half.reason) == (Word.PASS, Word.UNKNOWN, Reason.SILENT)


@pytest.mark.slow
@pytest.mark.parametrize(
    "head",
    [
        b"HTTP/1.1 403 Forbidden\r\nContent-Length: 90\r\n\r\nhalf",
        b"HTTP/1.1 301 Moved\r\nLocation: https://127.0.0.1/\r\nContent-Length: 90\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Length: 90\r\n\r\n",
    ],
)
def test_a_header_whose_body_never_came_lets_nothing_pass(head: bytes) -> None:
    def handle(connection: socket.socket) -> None:
        connection.recv(65536)
        connection.sendall(head)

    said = scan(80, handle)
    for check in (*ASKED_OF[80], "http-redirect-leaves-device", "scan-service-open", "settings-page-open"):
        assert said[check] <= {"unknown", "error"}, check


def words(check: str, *facts: Any) -> list[tuple[Word, Reason | None]]:
    shared = CHECKS.checks[check].compares
    seen = seen_tls(*facts, names=(NAME,), fleet=shared or None)
    found = [held_to_proof(seen, o) for o in CHECKS.checks[check].judge(seen, SETTINGS[check])]
    return [(o.word, o.reason) for o in found]


@pytest.mark.parametrize("check", TLS_CHECKS)
def test_no_tls_check_passes_where_a_server_hello_broke_its_rules(check: str) -> None:
    port = tls_port("TLS 1.2", "TLS 1.3")
    assert (Word.PASS, None) in words(check, port, SUITES, FLAWS)

    for broken in (
        (tls_port("TLS 1.2", "TLS 1.3", broken="suite 0x0A0A was not offered"), SUITES),
        (port, tls_suites(SUITES.suites, broken="suite 0x0A0A was not offered")),
    ):
        found = words(check, *broken, FLAWS)
        assert Word.PASS not in {word for word, _ in found}
        assert (Word.UNKNOWN, Reason.INCONCLUSIVE) in found
