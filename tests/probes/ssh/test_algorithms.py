"""The SSH probe: what it asks, where it speaks, and servers that do not play along."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any, cast

import pytest
from support.tls_servers import line_to, threaded

from hardenprobe.demo_lab.declarations import Lab, Virtual
from hardenprobe.demo_lab.service import Host, Talk
from hardenprobe.demo_lab.service_ssh import METHODS, Ssh
from hardenprobe.demo_lab.ssh_keys import ALGORITHMS, host_key
from hardenprobe.devices.inventory import Listed
from hardenprobe.facts import SshHostKey, SshIdentification, SshOffer
from hardenprobe.model import Observation, Reach
from hardenprobe.probes import tcp
from hardenprobe.probes.base import ProbeContext
from hardenprobe.probes.ssh import algorithms
from hardenprobe.probes.ssh.codec import KexInit, packet, string
from hardenprobe.probes.ssh.keys import public_key
from hardenprobe.scanning import probe_order

KINDS = (SshOffer, SshHostKey, SshIdentification)
GREETING = b"SSH-2.0-x\r\n"
OFFER = SshOffer(
    speaks=True,
    key_exchanges=("curve25519-sha256",),
    host_keys=("ssh-ed25519",),
    ciphers_to_server=("aes128-ctr",),
    ciphers_to_client=("aes128-ctr",),
    macs_to_server=("hmac-sha2-256",),
    macs_to_client=("hmac-sha2-256",),
    compressions_to_server=("none",),
    compressions_to_client=("none",),
)
LISTS = algorithms._answer(OFFER, "curve25519-sha256", "ssh-ed25519")
SERVES = packet(LISTS.encode())


@asynccontextmanager
async def serving(server: Ssh) -> AsyncIterator[int]:
    """The lab's server on a port that the system chooses."""
    device = Virtual(listed=Listed(asset_tag="T", addresses=("127.0.0.1",)), lab=Lab(model="M"))
    host = Host(device=device, port_offset=0, engine_id=b"")

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError, EOFError):
            await server.serve(Talk(host=host, reader=reader, writer=writer))
        writer.close()

    listening = await asyncio.start_server(talk, "127.0.0.1", 0)
    async with listening:
        yield listening.sockets[0].getsockname()[1]


async def visit(port: int, word: str = "ssh", wanted: Any = KINDS) -> ProbeContext:
    """Look at a port, then run both probes, as the engine does."""
    line = line_to(port, word, reply=2.0, greeting=0.2)
    asked = ProbeContext(
        line=line, plan=cast(Any, None), listed=None, wanted=frozenset(wanted), anchors=cast(Any, None)
    )
    asked.heard[port] = await tcp.look(line, port)
    for probe in (algorithms.GREETING, algorithms.PROBE):
        await probe.run(asked)
    return asked


def against(server: Ssh, **more: Any) -> ProbeContext:
    async def run() -> ProbeContext:
        async with serving(server) as port:
            return await visit(port, **more)

    return asyncio.run(run())


def hostile(
    handle: Callable[[socket.socket], None],
) -> tuple[SshOffer, SshIdentification | None, SshHostKey]:
    """The offer of a server that does not play along, and what comes of a key exchange with it."""

    async def run(port: int) -> tuple[SshOffer, SshIdentification | None, SshHostKey]:
        line = line_to(port, "ssh", reply=0.1)
        seen, greeting = await algorithms.ask_offer(line, port)
        key = await algorithms.ask_host_key(line, port, OFFER, "ssh-ed25519", "ssh-ed25519")
        return seen.facts, greeting and greeting.facts, key.facts

    with threaded(handle) as port:
        return asyncio.run(run(port))


def offer(asked: ProbeContext) -> SshOffer:
    (seen,) = asked.of(SshOffer)
    return seen.facts


def keys(asked: ProbeContext) -> list[SshHostKey]:
    return [seen.facts for seen in asked.of(SshHostKey)]


@pytest.mark.parametrize(
    ("method", "algorithm"),
    [(method, "ssh-ed25519") for method in METHODS] + [("curve25519-sha256", a) for a in ALGORITHMS[1:]],
)
def test_every_method_and_every_key_type_is_proven(method: str, algorithm: str) -> None:
    async def run() -> SshHostKey:
        async with serving(Ssh(key_exchanges=(method,), host_keys=(algorithm,), rsa_bits=1024)) as port:
            line = line_to(port, "ssh", reply=2.0)
            seen, _ = await algorithms.ask_offer(line, port)
            ((key_type, asked),) = algorithms.host_key_algorithms(seen.facts.host_keys).items()
            return (await algorithms.ask_host_key(line, port, seen.facts, key_type, asked)).facts

    key = asyncio.run(run())
    assert (key.proven, key.fault, key.method, key.signature) == (True, None, method, algorithm)
    blob, _ = host_key(algorithm, "T", 1024)
    assert (key.sha256, key.bits) == (public_key(blob).sha256, public_key(blob).bits)


@pytest.mark.slow
def test_the_lists_are_the_server_s_own_and_cost_one_connection_beside_one_a_key_type() -> None:
    declared = Ssh(
        host_keys=("rsa-sha2-256", "ssh-rsa", "ssh-ed25519", "ecdsa-sha2-nistp256"),
        ciphers=("aes128-ctr", "3des-cbc"),
        macs=("hmac-md5",),
    )
    asked = against(declared)
    facts = offer(asked)

    assert facts.key_exchanges == declared.key_exchanges
    assert facts.host_keys == declared.host_keys
    assert facts.ciphers == facts.ciphers_to_client == declared.ciphers
    assert (facts.macs, facts.compressions_to_server) == (declared.macs, ("none",))
    assert [(k.key_type, k.asked) for k in keys(asked)] == [
        ("ssh-ed25519", "ssh-ed25519"),
        ("ecdsa-sha2-nistp256", "ecdsa-sha2-nistp256"),
        ("ssh-rsa", "rsa-sha2-256"),
    ]
    assert asked.line.cost.connections == 1 + 1 + 3


def test_nobody_asks_for_a_service_or_a_user() -> None:
    """RFC 4250 section 4.1.2: SERVICE_REQUEST is 5, NEWKEYS 21, USERAUTH_REQUEST 50."""
    asked = against(Ssh())
    sent = [
        bytes.fromhex(piece.hex)
        for seen in asked.seen
        for piece in seen.transcript
        if piece.direction == "sent"
    ]

    assert len([one for one in sent if one.startswith(b"SSH-2.0-")]) == 2
    numbers = [one[5] for one in sent if not one.startswith(b"SSH-")]
    assert numbers == [1, 20, 30, 1]


def test_where_no_host_key_is_wanted_there_is_no_key_exchange() -> None:
    asked = against(Ssh(), wanted=(SshOffer,))
    assert (len(asked.of(SshOffer)), keys(asked), asked.line.cost.connections) == (1, [], 2)


def test_a_port_where_ssh_may_not_be_spoken_is_only_listened_to() -> None:
    asked = against(Ssh(protocol="1.99"), word="http")

    assert [seen.facts.protocol for seen in asked.of(SshIdentification)] == ["1.99"]
    assert not asked.of(SshOffer)
    assert asked.line.cost.bytes_sent == 0


def test_the_identification_is_taken_from_the_greeting_with_its_bytes() -> None:
    asked = against(Ssh(software="Console_1.99 since SSH-1.5-x"))
    (seen,) = asked.of(SshIdentification)

    assert (seen.facts.protocol, seen.facts.software) == ("2.0", "Console_1.99")
    assert seen.facts.comments == "since SSH-1.5-x"
    assert bytes.fromhex(seen.transcript[0].hex).startswith(b"SSH-2.0-Console")


def test_a_scan_that_may_only_look_still_reads_the_identification() -> None:
    assert {p.reach for p in probe_order.PROBES if SshIdentification in p.produces} == {Reach.LOOK}


def test_a_key_that_is_shown_and_not_held_is_not_proven() -> None:
    (key,) = keys(against(Ssh(proves=False)))
    assert (key.proven, key.fault) == (False, "SSH signature that the host key did not make")
    assert key.sha256 and key.bits == 256


def test_without_a_method_in_common_no_connection_is_spent() -> None:
    line = line_to(9, "ssh")
    asked = asyncio.run(
        algorithms.ask_host_key(
            line, 9, SshOffer(speaks=True, key_exchanges=("new",)), "ssh-ed25519", "ssh-ed25519"
        )
    )
    assert line.cost.connections == 0
    assert asked.facts.fault == "no key exchange method in common with this scan's; it offers new"


def say(*pieces: bytes) -> Callable[[socket.socket], None]:
    """Say it, then wait for the client to leave."""

    def run(connection: socket.socket) -> None:
        for piece in pieces:
            connection.sendall(piece)
        while connection.recv(4096):
            pass

    return run


HUGE = string(b"x" * 40)
IGNORE = packet(b"\x02" + string(b""))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("pieces", "speaks", "fault"),
    [
        ((), False, "silent"),
        ((b"HTTP/1.1 400 Bad Request\r\n\r\n" * 700,), False, "not SSH"),
        ((b"SSH-1.5-x\r\n",), True, "protocol 1 only"),
        ((GREETING,), True, "silent"),
        ((GREETING, b"\xff" * 40), True, "SSH packet of"),
        ((GREETING, packet(b"\x05" + HUGE)), True, "no KEXINIT"),
        ((GREETING, packet(b"\x14" + HUGE)), True, "SSH message ends"),
        ((GREETING, packet(b"\x01\0\0\0\x02" + HUGE)), True, "closed"),
        ((GREETING, IGNORE * 40), True, "without meaning"),
        ((GREETING, packet(LISTS.encode() + b"x")), True, "too many"),
    ],
    ids=[
        "mute", "something else", "protocol 1", "greets only", "noise", "another message", "cut KEXINIT", "good-bye",
        "ignores for ever", "too long a KEXINIT",
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_a_fault_of_the_offer(
    pieces: tuple[bytes, ...], speaks: bool, fault: str
) -> None:
    facts, greeting, key = hostile(say(*pieces))

    assert (facts.speaks, facts.key_exchanges) == (speaks, ())
    assert facts.fault and fault in facts.fault
    assert (greeting is not None) == speaks
    assert not key.proven and key.fault


def test_a_server_that_waits_to_be_spoken_to_is_asked_all_the_same() -> None:
    def late(connection: socket.socket) -> None:
        if connection.recv(64):
            connection.sendall(GREETING + SERVES)
            connection.recv(4096)

    with threaded(late) as port:
        asked = asyncio.run(visit(port, wanted=(SshOffer,)))
    assert offer(asked).host_keys == ("ssh-ed25519",)
    assert [seen.facts.protocol for seen in asked.of(SshIdentification)] == ["2.0"]


@pytest.mark.parametrize(
    "reply",
    [
        b"",
        packet(b"\x1f" + string(b"") * 3),
        packet(b"\x1f" + string(string(b"ssh-ed25519") + string(b"k" * 32)) + string(b"q" * 32) + string(b"")),
        packet(b"\x1f" + string(string(b"ssh-rsa") + string(b"\x03") + string(b"")) + string(b"q" * 32) + string(b"")),
        packet(b"\x1e" + HUGE),
        b"\xff" * 60,
        IGNORE * 40,
    ],
    ids=["nothing", "empty strings", "no signature", "another type", "another message", "noise", "ignores"],
)  # fmt: skip
def test_a_reply_that_proves_nothing_is_a_fault_of_the_key_and_keeps_the_offer(reply: bytes) -> None:
    facts, _, key = hostile(say(GREETING + SERVES, reply))

    assert (facts.fault, facts.host_keys) == (None, ("ssh-ed25519",))
    assert not key.proven and key.fault


def test_a_server_that_drips_bytes_gets_no_more_than_its_time() -> None:
    def drip(connection: socket.socket) -> None:
        connection.sendall(GREETING)
        for _ in range(2000):
            connection.sendall(IGNORE)
            if connection.recv(1) == b"":
                return

    began = time.monotonic()
    facts, _, key = hostile(drip)
    assert facts.fault and key.fault
    assert time.monotonic() - began < 5


def test_our_own_lists_can_always_be_agreed_upon() -> None:
    answer = algorithms._answer(OFFER, "curve25519-sha256", "ssh-ed25519")
    assert isinstance(answer, KexInit)
    assert set(answer.ciphers_to_server) <= set(OFFER.ciphers_to_server)
    assert (answer.key_exchanges, answer.host_keys) == (("curve25519-sha256",), ("ssh-ed25519",))


def test_an_observation_keeps_the_bytes_that_prove_it() -> None:
    seen: Observation[SshHostKey]
    (seen,) = against(Ssh()).of(SshHostKey)
    assert {piece.direction for piece in seen.transcript} == {"sent", "received"}
