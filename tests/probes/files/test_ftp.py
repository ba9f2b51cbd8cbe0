"""One USER and never a PASS; replies of any shape end in facts."""

from __future__ import annotations

import asyncio
import re
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.servers import Handler, serving

from hardenprobe.facts import FtpSession
from hardenprobe.model import Observation
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.files import ftp
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.scope import Scope

QUICK = Timing(connect=0.5, greeting=0.05, reply=0.2, pause=0.0)


class Server:
    """Says a greeting, answers USER with a reply, and keeps what it was told."""

    def __init__(self, greeting: bytes, reply: bytes = b"331 go on\r\n") -> None:
        self.greeting, self.reply, self.told = greeting, reply, b""

    async def __call__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(self.greeting)
        while line := await reader.readline():
            self.told += line
            if line.startswith(b"USER"):
                writer.write(self.reply)


def ask(handler: Handler) -> tuple[Observation[FtpSession], float]:
    async def run() -> tuple[Observation[FtpSession], float]:
        async with serving(handler) as real:
            line = DeviceLink(
                address="127.0.0.1", permit=Scope.loopback(), timing=QUICK, port_offset=real - 21
            )
            began = time.monotonic()
            return await ftp.ask_user(line, 21), time.monotonic() - began

    return asyncio.run(run())


@pytest.mark.parametrize(("reply", "code"), [(b"331 password\r\n", 331), (b"530 TLS first\r\n", 530)])
def test_one_user_and_never_a_password(reply: bytes, code: int) -> None:
    server = Server(b"220-hello\r\n220 ready\r\n", reply)
    seen, _ = ask(server)
    assert seen.facts == FtpSession(
        greeting_code=220,
        greeting_text="220-hello\r\n220 ready",
        user_code=code,
        user_text=reply.decode().strip(),
        asked=True,
    )
    assert re.fullmatch(rb"USER u[0-9a-f]{12}\r\n(QUIT\r\n)?", server.told)
    sent = [bytes.fromhex(e.hex) for e in seen.transcript if e.direction == "sent"]
    assert [s[:4] for s in sent] == [b"USER", b"QUIT"]


def test_name_is_a_new_one_each_time() -> None:
    first, second = Server(b"220 ready\r\n"), Server(b"220 ready\r\n")
    ask(first)
    ask(second)
    assert first.told[:17] != second.told[:17]


@pytest.mark.parametrize("greeting", [b"421 busy\r\n", b"120 in 5 minutes\r\n", b"530 no\r\n"])
def test_server_that_is_not_ready_is_not_asked(greeting: bytes) -> None:
    server = Server(greeting)
    facts = ask(server)[0].facts
    assert (facts.greeting_code, facts.asked, facts.user_code) == (int(greeting[:3]), False, None)
    assert server.told == b""


@pytest.mark.parametrize(
    "greeting", [b"", b"garbage\x00\xff\r\n", b"22", b"220 no line end", b"220-endless\r\n"]
)
def test_no_whole_greeting_is_no_code(greeting: bytes) -> None:
    server = Server(greeting)
    facts = ask(server)[0].facts
    assert facts == FtpSession(greeting_code=None, greeting_text="")
    assert server.told == b""


def test_server_that_resets_after_accepting() -> None:
    async def reset(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """The helper aborts the connection when this returns."""

    assert ask(reset)[0].facts == FtpSession(greeting_code=None, greeting_text="")


def test_server_that_hangs_up_on_user() -> None:
    async def hang_up(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"220 ready\r\n")
        await reader.readline()

    facts = ask(hang_up)[0].facts
    assert (facts.greeting_code, facts.asked, facts.user_code) == (220, True, None)


def test_endless_reply_is_cut() -> None:
    async def endless(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            writer.write(b"220-and another line\r\n" * 1000)
            await writer.drain()

    seen, took = ask(endless)
    assert seen.facts.greeting_code is None
    assert took < 1


def test_drip_of_bytes_ends_when_the_reply_is_due() -> None:
    async def drip(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"220-")
        while True:
            writer.write(b"x")
            await writer.drain()
            await asyncio.sleep(0.02)

    seen, took = ask(drip)
    assert seen.facts.greeting_code is None
    assert took < 1.5


# --- the codec

LINES = st.text(st.characters(codec="latin-1", exclude_characters="\r\n"), max_size=20)


@st.composite
def replies(draw: st.DrawFn) -> tuple[int, bytes]:
    """A good reply of RFC 959 section 4.2, of one line or of many."""
    code = draw(st.integers(100, 599))
    last = f"{code} {draw(LINES)}\r\n"
    middle = [m for m in draw(st.lists(LINES, max_size=4)) if not re.match(r"\d{3} ", m)]
    many = f"{code}-{draw(LINES)}\r\n" + "".join(f"{m}\r\n" for m in middle) if draw(st.booleans()) else ""
    return code, (many + last).encode("latin-1")


@given(replies())
def test_every_prefix_of_a_reply_is_unfinished(made: tuple[int, bytes]) -> None:
    code, data = made
    whole = ftp.reply(data)
    assert whole is not None and whole[0] == code
    for end in range(len(data)):
        assert ftp.reply(data[:end]) is None, end
    assert ftp.reply(data + b"500 more\r\n") == whole


@given(st.binary(max_size=300) | st.from_regex(rb"[0-9]{3}[ -].{0,50}\r\n"))
def test_any_bytes_are_a_reply_or_none(data: bytes) -> None:
    found = ftp.reply(data)
    assert found is None or (0 <= found[0] <= 999 and len(found[1]) <= 4 * 512)
