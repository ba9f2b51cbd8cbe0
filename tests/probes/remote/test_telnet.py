"""Telnet greetings taken apart: any bytes, never an error, never an answer."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.probes.remote import telnet

COMMANDS = st.sampled_from(
    [
        b"\xff\xfb\x01",  # WILL ECHO
        b"\xff\xfd\x18",  # DO TERMINAL-TYPE
        b"\xff\xfa\x18\x01\xff\xf0",  # SB TERMINAL-TYPE SEND SE
        b"\xff\xf1",  # NOP
        b"\xff\xf9",  # GO AHEAD
    ]
)
TEXT = st.binary(max_size=30).map(lambda data: data.replace(b"\xff", b"."))


@given(st.binary(max_size=300) | st.lists(COMMANDS | TEXT | st.just(b"\xff")).map(b"".join))
def test_text_is_never_longer_than_the_input(data: bytes) -> None:
    negotiates, text = telnet.split(data)
    assert len(text) <= len(data)
    assert not negotiates or b"\xff" in data
    if b"\xff" not in data:
        assert (negotiates, text) == (False, data)


@given(st.lists(TEXT | COMMANDS, max_size=12))
def test_commands_vanish_and_text_stays(parts: list[bytes]) -> None:
    """What is put together from commands and text comes apart into the text."""
    negotiates, text = telnet.split(b"".join(parts))
    plain = [part for part in parts if not part.startswith(b"\xff")]
    assert text == b"".join(plain)
    assert negotiates == (len(plain) < len(parts))


@given(TEXT, st.binary(max_size=20))
def test_doubled_command_byte_is_one_data_byte(before: bytes, after: bytes) -> None:
    assert telnet.split(before + b"\xff\xff" + b"a") == (False, before + b"\xffa")


@given(st.lists(TEXT | COMMANDS, max_size=8), st.integers(0, 200))
def test_what_the_read_limit_cut_is_dropped(parts: list[bytes], at: int) -> None:
    whole = b"".join(parts)
    negotiates, text = telnet.split(whole[:at])
    full_negotiates, full_text = telnet.split(whole)
    assert full_text.startswith(text)
    # An unfinished sub-negotiation is proof enough; anything else counts once it is whole.
    assert full_negotiates or not negotiates


@given(st.binary(max_size=2000))
def test_facts_are_made_of_anything(data: bytes) -> None:
    facts = telnet.read(data)
    assert len(facts.text) <= 4 * 512
    facts.text.encode("utf-8")


def test_prompts() -> None:
    for line in (b"login: ", b"\r\nLogin:", b"User Name :", b"username:", b"Password: "):
        assert telnet.prompt(line), line
    for line in (b"", b"welcome", b"last login was yesterday", b"loginname"):
        assert telnet.prompt(line) is None, line


def test_sub_negotiation_without_an_end_swallows_the_rest() -> None:
    assert telnet.split(b"a\xff\xfa\x18\x00" + b"x" * 100) == (True, b"a")


def test_every_command_of_the_rfc_is_known_and_others_are_not() -> None:
    """RFC 854, TELNET COMMAND STRUCTURE: 240 to 255."""
    for code in range(241, 250):
        assert telnet.split(bytes((255, code)))[0], code
    for code in range(251, 255):
        assert telnet.split(bytes((255, code, 1))) == (True, b"")
        assert telnet.split(bytes((255, code))) == (False, b"")
    for code in (0, 32, 200, 239, 240):
        assert telnet.split(bytes((255, code))) == (False, b""), code
