"""A line that plays a device from a script."""

from __future__ import annotations

import asyncio

import pytest

from hardenprobe.errors import ScopeRefused, Unreachable
from hardenprobe.facts import TelnetGreeting
from hardenprobe.probes.files import ftp
from hardenprobe.probes.remote import telnet
from hardenprobe.testing import Replay, answers


def test_a_greeting_is_heard_as_from_a_device(replay: type[Replay]) -> None:
    seen = answers(telnet.PROBE, replay({23: [("received", b"\xff\xfb\x01login: ")]}))

    assert [type(o.facts).__name__ for o in seen] == ["TcpPort", "TelnetGreeting"]
    assert seen[1].facts == TelnetGreeting(negotiates=True, text="login: ", prompt="login:")


def test_a_transcript_of_an_observation_is_replayed() -> None:
    line = Replay({23: [("received", b"Password: ")]})
    first = answers(telnet.PROBE, line)[-1]
    again = answers(telnet.PROBE, Replay.of(first))[-1]

    assert again.facts == first.facts


def test_what_a_probe_says_must_be_in_the_script() -> None:
    line = Replay({21: [("received", b"220 ready\r\n"), ("sent", b"USER nobody\r\n")]})

    with pytest.raises(AssertionError, match="USER"):
        answers(ftp.PROBE, line)


def test_a_port_that_is_not_in_the_script_refuses_and_one_at_its_end_is_silent() -> None:
    async def talk() -> None:
        line = Replay({80: []}, {161: [("sent", b"a"), ("received", b"b")]})
        with pytest.raises(Unreachable) as caught:
            await line.connect(81)
        assert caught.value.state == "refusing"
        async with await line.connect(80) as stream:
            with pytest.raises(Unreachable) as caught:
                await stream.receive()
            assert caught.value.state == "silent"
            with pytest.raises(AssertionError, match="at its end"):
                await stream.send(b"x", "http")
            with pytest.raises(ScopeRefused):
                await stream.send(b"x", "telnet")
        assert (await line.ask(161, b"a")).data == b"b"
        assert (await line.ask(162, b"a")).state == "refusing"
        with pytest.raises(AssertionError, match="received b'c', the script has"):
            await line.ask(161, b"c")

    asyncio.run(talk())
