"""SMB negotiation and the remote screen, against peers of every temper."""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.servers import Handler, serving

from hardenprobe.errors import MalformedReply, ScopeRefused
from hardenprobe.facts import RfbSecurity, SmbNegotiation
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes import packets
from hardenprobe.probes.files import smb
from hardenprobe.probes.remote import rfb
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.scope import Scope

QUICK = Timing(connect=0.5, greeting=0.1, reply=0.3, pause=0.0)


def line_to(port: int, real: int, word: str) -> DeviceLink:
    return DeviceLink(
        address="127.0.0.1",
        permit=Scope.loopback(),
        timing=QUICK,
        may_speak={port: frozenset({word})},
        port_offset=real - port,
    )


# ---- SMB


def negotiated(answer: Callable[[bytes], bytes | None], version: str = "2") -> SmbNegotiation:
    """What becomes of the answer that a peer makes of the request, both without their length bytes."""

    async def handler(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        length = int.from_bytes(await reader.readexactly(4))
        made = answer(await reader.readexactly(length))
        if made is not None:
            writer.write(len(made).to_bytes(4) + made)
            await reader.read(1)

    return smb_facts(handler, version)


def smb_facts(handler: Handler, version: str = "2") -> SmbNegotiation:
    async def run() -> Any:
        async with serving(handler) as real:
            message, decode = {
                "1": (packets.encode_smb1(), packets.decode_smb1),
                "2": (packets.encode_smb2(bytes(32)), packets.decode_smb2),
            }[version]
            return await smb.negotiate(line_to(445, real, "smb"), version, message, decode)

    return asyncio.run(run()).facts


@pytest.mark.parametrize(
    ("answer", "session", "answered", "fault"),
    [
        (bytes((0x82, 0, 0, 0)), "positive", True, None),
        (bytes((0x83, 0, 0, 1, 0x82)), "negative", False, "the session is refused"),
        (bytes((0x82, 0, 0, 4)) + bytes(4), None, False, "message of type 130"),
        (bytes((0x84, 0, 0, 6)) + bytes(6), None, False, "message of type 132"),
        (b"HTTP/1.1 400 Bad Request", None, False, "message of type 72"),
        (b"", None, False, "closed"),
    ],
)
def test_at_139_a_session_comes_first(
    answer: bytes, session: str | None, answered: bool, fault: str | None
) -> None:
    """RFC 1002 sections 4.3.2 to 4.3.4."""

    async def handler(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        request = await reader.readexactly(72)
        assert request[:4] == bytes((0x81, 0, 0, 68)) and request[4] == request[38] == 32
        writer.write(answer)
        if session == "positive":
            length = int.from_bytes(await reader.readexactly(4))
            made = smb2_answer(await reader.readexactly(length))
            writer.write(len(made).to_bytes(4) + made)
            await reader.read(1)

    async def run() -> Any:
        async with serving(handler) as real:
            message = packets.encode_smb2(bytes(32))
            line = line_to(139, real, "smb")
            return await smb.negotiate(line, "2", message, packets.decode_smb2, 139)

    facts = asyncio.run(run()).facts
    assert (facts.session, facts.answered, facts.recognised) == (session, answered, session is not None)
    assert (facts.fault or "").startswith(fault or "") and bool(facts.fault) == bool(fault)


def smb2_answer(
    request: bytes, mode: int = 1, dialect: int = 0x0311, status: int = 0, flags: int = 1
) -> bytes:
    head = b"\xfeSMB\x40\0\0\0" + struct.pack("<IHHI", status, 0, 1, flags) + bytes(44)
    if status:
        return head + b"\x09\0" + bytes(7)
    return head + struct.pack("<HHHH", 65, mode, dialect, 0) + bytes(48) + struct.pack("<HHI", 128, 0, 0)


def smb1_answer(request: bytes, mode: int = 3, index: int = 0, words: int = 17, flags: int = 0x80) -> bytes:
    head = b"\xffSMBr\0\0\0\0" + bytes((flags,)) + bytes(22)
    if words == 17:
        return head + struct.pack("<BHB", 17, index, mode) + bytes(31) + b"\0\0"
    return head + bytes((words,)) + (struct.pack("<H", index) if words else b"") + b"\0\0"


@pytest.mark.parametrize(
    ("version", "answer", "dialect", "signing"),
    [
        ("2", lambda r: smb2_answer(r), "SMB 3.1.1", False),
        ("2", lambda r: smb2_answer(r, mode=3), "SMB 3.1.1", True),
        ("2", lambda r: smb2_answer(r, mode=2, dialect=0x0202), "SMB 2.0.2", True),
        ("2", lambda r: smb2_answer(r, status=0xC00000BB), None, None),
        ("1", lambda r: smb1_answer(r), "NT LM 0.12", False),
        ("1", lambda r: smb1_answer(r, mode=0x07), "NT LM 0.12", False),
        ("1", lambda r: smb1_answer(r, mode=0x0F), "NT LM 0.12", True),
        ("1", lambda r: smb1_answer(r, words=1, index=0xFFFF), None, None),
        ("1", lambda r: smb1_answer(r, words=0), None, None),
    ],
)
def test_an_answer_is_read(version: str, answer: Any, dialect: str | None, signing: bool | None) -> None:
    facts = negotiated(answer, version)
    assert facts.answered, facts.fault
    assert (facts.dialect, facts.signing_required) == (dialect, signing)


@pytest.mark.parametrize(
    ("version", "answer"),
    [
        ("2", lambda r: r),
        ("2", lambda r: smb2_answer(r, dialect=0x02FF)),
        ("2", lambda r: smb2_answer(r, flags=0)),
        ("2", lambda r: smb1_answer(r)),
        ("2", lambda r: b"HTTP/1.1 400 Bad Request"),
        ("2", lambda r: b""),
        ("1", lambda r: r),
        ("1", lambda r: smb2_answer(r)),
        ("1", lambda r: smb1_answer(r, words=5)),
        ("1", lambda r: smb1_answer(r, index=3)),
        ("1", lambda r: smb1_answer(r)[:33]),
    ],
)
def test_what_is_no_answer_is_a_fault(version: str, answer: Any) -> None:
    facts = negotiated(answer, version)
    assert not facts.answered and not facts.recognised
    assert facts.fault


@pytest.mark.parametrize("garbage", [b"\x83\0\0\1\x80", b"\0\xff\xff\xff" + bytes(50), b"220 hello\r\n"])
def test_a_length_that_no_negotiation_has_is_a_fault(garbage: bytes) -> None:
    async def handler(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(garbage)
        await reader.read(1000)
        await reader.read(1)

    assert "where an SMB answer was due" in (smb_facts(handler).fault or "")


def test_closing_and_silence_are_told_apart() -> None:
    async def silent(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)
        await reader.read(1)

    assert negotiated(lambda r: None).fault == "closed"
    assert smb_facts(silent).fault == "silent"


def test_an_answer_that_drips_is_read_whole() -> None:
    async def drips(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        made = smb2_answer(await reader.readexactly(162))
        for byte in len(made).to_bytes(4) + made:
            writer.write(bytes((byte,)))
            await writer.drain()
        await reader.read(1)

    assert smb_facts(drips).dialect == "SMB 3.1.1"


# ---- remote screen


def screen(*sends: bytes, greeting: bytes = b"RFB 003.008\n") -> tuple[RfbSecurity, bytes]:
    """What becomes of a server that greets, takes a version, and sends; and what it was sent in all."""
    heard = b""

    async def handler(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal heard
        writer.write(greeting)
        heard += await reader.readexactly(12)
        for piece in sends:
            writer.write(piece)
            await writer.drain()
        heard += await reader.read(100)

    async def run() -> Any:
        async with serving(handler) as real:
            return await rfb.security(line_to(5900, real, "rfb"), 5900)

    return asyncio.run(run()).facts, heard


@pytest.mark.parametrize(
    ("greeting", "sends", "version", "types", "reason"),
    [
        (b"RFB 003.008\n", [b"\x02\x02\x01"], "3.8", (2, 1), ""),
        (b"RFB 003.008\n", [b"\x02", b"\x02", b"\x01"], "3.8", (2, 1), ""),
        (b"RFB 003.007\n", [b"\x01\x01"], "3.7", (1,), ""),
        (b"RFB 003.003\n", [b"\0\0\0\1"], "3.3", (1,), ""),
        (b"RFB 003.005\n", [b"\0\0\0\2"], "3.5", (2,), ""),
        (b"RFB 003.889\n", [b"\x01\x1e"], "3.889", (30,), ""),
        (b"RFB 003.008\n", [b"\0\0\0\0\x04busy"], "3.8", (), "busy"),
        (b"RFB 003.003\n", [b"\0\0\0\0\0\0\0\x04busy"], "3.3", (), "busy"),
    ],
)
def test_a_list_of_types_is_read(
    greeting: bytes, sends: list[bytes], version: str, types: tuple[int, ...], reason: str
) -> None:
    facts, _ = screen(*sends, greeting=greeting)
    assert facts == RfbSecurity(version=version, types=types, reason=reason)


@pytest.mark.parametrize("sends", [[b""], [b"\x05\x01"], [b"\0\xff\xff\xff\xff"], [b"\0\0\0\1"]])
def test_a_list_that_does_not_come_is_a_fault(sends: list[bytes]) -> None:
    facts, _ = screen(*sends)
    assert facts.types == () and facts.fault


def test_nothing_but_the_version_is_ever_sent() -> None:
    _, heard = screen(b"\x02\x02\x01", greeting=b"RFB 004.001\n")
    assert heard == b"RFB 003.008\n"


def test_a_screen_on_a_port_that_may_not_be_spoken_to_hears_nothing() -> None:
    async def run() -> None:
        async def handler(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            writer.write(b"RFB 003.008\n")
            assert await reader.read(100) == b""

        async with serving(handler) as real:
            await rfb.security(line_to(5901, real, "http"), 5901)

    with pytest.raises(ScopeRefused):
        asyncio.run(run())


@given(st.binary(max_size=20))
def test_any_greeting_is_a_version_or_malformed(data: bytes) -> None:
    try:
        version = rfb.version_of(data)
    except MalformedReply:
        return
    assert rfb.answer_to(version) in ((3, 3), (3, 7), (3, 8))
