"""Our own flaw probes: against servers that have the flaws, servers that do not, and servers that only seem to."""

from __future__ import annotations

import asyncio
import shutil
import socket
import ssl
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric import rsa
from hypothesis import given
from hypothesis import strategies as st
from support.tls_servers import (
    Credentials,
    gnutls_server,
    issue,
    line_to,
    nginx_server,
    openssl_server,
    threaded,
    tls_handler,
)

from hardenprobe.facts import TlsPort
from hardenprobe.probes.tls import flaws
from hardenprobe.probes.tls.exchange import Talker
from hardenprobe.probes.tls.flaws import Reaction, Verdict
from hardenprobe.testing.devices import lab_device, results

ALL = ("heartbleed", "early_ccs", "padding_oracle")
RSA12 = {"versions": ["1.2"], "ciphers": "AES128-GCM-SHA256", "key_type": "rsa-2048"}
CHECKS = ("tls-heartbleed", "tls-early-ccs", "tls-rsa-padding-oracle")


@pytest.fixture(scope="module")
def credentials(tmp_path_factory: pytest.TempPathFactory) -> Credentials:
    return issue(tmp_path_factory.mktemp("flaws"), "device", key=rsa.generate_private_key(65537, 2048))


def ask(port: int, *accepted: str, wanted: tuple[str, ...] = ALL) -> tuple[dict[str, Verdict], Talker]:
    async def run() -> tuple[dict[str, Verdict], Talker]:
        talker = Talker(line=line_to(port, reply=0.5), port=port)
        states = dict.fromkeys(("SSL 3.0", "TLS 1.0", "TLS 1.1", "TLS 1.2", "TLS 1.3"), "refused")
        facts = TlsPort(speaks=True, versions=states | dict.fromkeys(accepted, "accepted"))
        return await flaws.ask_flaws(talker, facts, wanted), talker

    return asyncio.run(run())


def states(found: dict[str, Verdict]) -> dict[str, str]:
    return {name: state for name, (state, _) in found.items()}


# ---- servers that truly have a flaw


@pytest.mark.slow
@pytest.mark.timeout(120)
@pytest.mark.parametrize("flaw", ["heartbleed", "early-ccs", "padding-oracle", None])
def test_a_server_with_one_flaw_shows_that_one_and_no_other(flaw: str | None, tmp_path: Path) -> None:
    service = {"speaks": "flawed-tls", **({"flaws": [flaw]} if flaw else {})}
    with lab_device(service, folder=tmp_path, tls=RSA12) as device:

        async def run() -> tuple[dict[str, Verdict], Talker]:
            line = line_to(443, reply=1.0)
            line.address, line.port_offset = device.address, device.lab.port_offset
            talker = Talker(line=line, port=443)
            states = dict.fromkeys(("SSL 3.0", "TLS 1.0", "TLS 1.1", "TLS 1.3"), "refused")
            return await flaws.ask_flaws(
                talker, TlsPort(speaks=True, versions=states | {"TLS 1.2": "accepted"}), ALL
            ), talker

        found, talker = asyncio.run(run())
    expected = {name: "vulnerable" if flaw and name == flaw.replace("-", "_") else "sound" for name in ALL}
    assert states(found) == expected, found
    assert talker.connections == 7 + 5 * (flaw == "padding-oracle")
    kept = b"".join(
        bytes.fromhex(e.hex) for r in talker.recorders for e in r.exchanges if e.direction == "received"
    )
    assert kept, "there is a transcript"
    assert (b"\x18\x03\x03\x00\x23" + b"*" * 35 in kept) is (flaw == "heartbleed"), "what leaked is starred"


# ---- servers without


@pytest.mark.peer
@pytest.mark.slow
@pytest.mark.skipif(not shutil.which("openssl"), reason="needs the Debian package openssl")
@pytest.mark.parametrize(
    ("versions", "ciphers"),
    [
        (("TLS 1.2",), "DEFAULT:@SECLEVEL=0"),
        (("TLS 1.2",), "kRSA:@SECLEVEL=0"),
        (("TLS 1.2",), "ECDHE:@SECLEVEL=0"),
    ],
)
def test_openssl_is_sound(versions: tuple[str, ...], ciphers: str, credentials: Credentials) -> None:
    with openssl_server(credentials, "-cipher", ciphers) as port:
        found, talker = ask(port, *versions)
    assert states(found) == dict.fromkeys(ALL, "sound"), found
    assert talker.connections <= 8


@pytest.mark.peer
@pytest.mark.slow
def test_gnutls_and_nginx_are_sound(credentials: Credentials, tmp_path: Path) -> None:
    with gnutls_server(credentials, "NORMAL:+VERS-TLS1.2:-VERS-TLS1.3:+RSA") as port:
        found, _ = ask(port, "TLS 1.2")
        assert states(found) == dict.fromkeys(ALL, "sound"), found
    with nginx_server(tmp_path, credentials, "TLSv1.2", "ALL") as port:
        found, _ = ask(port, "TLS 1.2")
        assert states(found) == dict.fromkeys(ALL, "sound"), found


@pytest.mark.peer
@pytest.mark.slow
@pytest.mark.parametrize("beats", [False, True], ids=["without heartbeats", "with heartbeats"])
def test_tlslite_is_sound(beats: bool, credentials: Credentials) -> None:
    """It answers well-formed heartbeats where both sides offer them (RFC 6520), and drops ours."""
    tlslite: Any = pytest.importorskip("tlslite")
    key = tlslite.parsePEMKey(credentials.key_file.read_text(), private=True)
    chain = tlslite.X509CertChain()
    chain.parsePemList(credentials.certificate_file.read_text())

    def handle(connection: socket.socket) -> None:
        settings = tlslite.HandshakeSettings()
        settings.maxVersion, settings.use_heartbeat_extension = (3, 3), beats
        tlslite.TLSConnection(connection).handshakeServer(certChain=chain, privateKey=key, settings=settings)

    with threaded(handle) as port:
        found, _ = ask(port, "TLS 1.2")
    assert "vulnerable" not in states(found).values(), found
    assert found["early_ccs"][0] == found["padding_oracle"][0] == "sound", found


@pytest.mark.slow
def test_a_close_at_rsa_alone_is_a_refusal_while_the_port_answers_other_hellos(
    credentials: Credentials,
) -> None:
    """A server that hangs up without an alert where no suite is in common."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(credentials.certificate_file, credentials.key_file)
    context.maximum_version = ssl.TLSVersion.TLSv1_2
    context.set_ciphers("ECDHE-RSA-AES128-GCM-SHA256")
    speak = tls_handler(context)

    def handle(connection: socket.socket) -> None:
        if b"\xc0\x2f" in connection.recv(65536, socket.MSG_PEEK):
            speak(connection)

    with threaded(handle) as port:
        found, _ = ask(port, "TLS 1.2", wanted=("padding_oracle",))
    assert found == {"padding_oracle": ("sound", "no key exchange by RSA")}


def test_a_port_of_tls_13_alone_has_none_of_them_and_is_not_asked() -> None:
    found, talker = ask(9, "TLS 1.3")
    assert states(found) == dict.fromkeys(ALL, "sound")
    assert talker.connections == 0


@pytest.mark.parametrize(
    "handle", [lambda c: c.recv(1), lambda c: c.recv(65536) and c.recv(1), lambda c: c.sendall(b"HTTP/1.1 400 No\r\n\r\n")]
)  # fmt: skip
@pytest.mark.slow
def test_a_port_that_does_not_play_along_is_unknown(handle: Callable[[socket.socket], None]) -> None:
    with threaded(handle) as port:
        found, _ = ask(port, "TLS 1.2")
    assert states(found) == dict.fromkeys(ALL, "unknown")


# ---- the verdicts alone

ALERT_10, ALERT_20, ALERT_40 = ((21, b"\x02\x0a"),), ((21, b"\x02\x14"),), ((21, b"\x02\x28"),)
QUIET, GONE = Reaction((), closed=False), Reaction((), closed=True)


def after(*records: tuple[int, bytes], closed: bool = True) -> Reaction:
    return Reaction(tuple(records), closed=closed)


@pytest.mark.parametrize(
    ("seen", "state"),
    [
        (after((24, b"\x02\x00\x10" + bytes(32))), "vulnerable"),
        (after(*ALERT_10), "sound"),
        (GONE, "sound"),
        (QUIET, "unknown"),
    ],
)
def test_heartbeat(seen: Reaction, state: str) -> None:
    assert flaws.judge_heartbeat(seen)[0] == state


@pytest.mark.parametrize(
    ("answers", "state"),
    [
        ((after(*ALERT_10),), "sound"),
        ((GONE,), "sound"),
        ((QUIET, after(*ALERT_20)), "vulnerable"),
        ((QUIET, after(*ALERT_10)), "sound"),
        ((QUIET, after(*ALERT_40)), "unknown"),
        ((QUIET, GONE), "unknown"),
        ((QUIET, QUIET), "unknown"),
    ],
)
def test_early_ccs(answers: tuple[Reaction, ...], state: str) -> None:
    assert flaws.judge_early_ccs(*answers)[0] == state


@pytest.mark.parametrize(
    ("rounds", "state"),
    [
        ([[after(*ALERT_20)] * 5], "sound"),
        ([[GONE] * 5], "sound"),
        ([[after(*ALERT_20)] + [after(*ALERT_40)] * 4] * 2, "vulnerable"),
        ([[after(*ALERT_20)] + [GONE] * 4] * 2, "vulnerable"),
        ([[after(*ALERT_20)] + [after(*ALERT_40)] * 4, [after(*ALERT_20)] * 5], "unknown"),
        ([[QUIET] * 5], "unknown"),
        ([[after(*ALERT_20)] * 4 + [QUIET]], "unknown"),
    ],
)
def test_padding(rounds: list[list[Reaction]], state: str) -> None:
    assert flaws.judge_padding(rounds)[0] == state


@given(st.binary(max_size=400))
def test_any_bytes_are_records_or_cut_off(data: bytes) -> None:
    assert sum(5 + len(body) for _, body in flaws.records(data)) <= len(data)
    starred = flaws.star_heartbeats(data)
    assert len(starred) == len(data)
    assert all(set(body) <= {ord("*")} for kind, body in flaws.records(starred) if kind == 24)


@pytest.mark.parametrize("bits", [1024, 2048])
def test_one_secret_is_padded_as_pkcs_1_wants_it_and_no_other(bits: int) -> None:
    """RFC 8017 section 7.2.2, step 3; RFC 5246 section 7.4.7.1."""
    size = bits // 8

    def conforms(padded: bytes) -> bool:
        end = padded.find(b"\0", 2)
        return (
            padded[:2] == b"\0\2"
            and end >= 10
            and len(padded) - end - 1 == 48
            and padded[end + 1 : end + 3] == b"\3\3"
        )

    secrets = flaws.padded_secrets(size, 0x0303)
    assert [len(s) for s in secrets] == [size] * flaws.SECRETS
    assert [conforms(s) for s in secrets] == [True, False, False, False, False]


# ---- the checks


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_both_implementations_are_asked_and_agree(tmp_path: Path) -> None:
    from hardenprobe.model import Reach

    service = {"speaks": "flawed-tls", "flaws": ["heartbleed", "early-ccs", "padding-oracle"]}
    with lab_device(service, folder=tmp_path, tls=RSA12) as device:
        review = device.scan(*CHECKS, reach=Reach.STRAIN)
    (seen,) = (o for found in review.observations.values() for o in found if o.kind == "tls-flaws")
    assert seen.transcript
    assert seen.facts.second == dict.fromkeys(ALL, "vulnerable")
    assert {str(r.result) for check in CHECKS for r in results(review, check)} == {"fail"}
