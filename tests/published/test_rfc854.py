"""Telnet commands by their numbers in RFC 854, TELNET COMMAND STRUCTURE."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.probes.remote import telnet

# RFC 854, TELNET COMMAND STRUCTURE: name, code, octets that follow the code.
COMMANDS = [
    ("NOP", 241, b""),
    ("Data Mark", 242, b""),
    ("Break", 243, b""),
    ("Interrupt Process", 244, b""),
    ("Abort output", 245, b""),
    ("Are You There", 246, b""),
    ("Erase character", 247, b""),
    ("Erase Line", 248, b""),
    ("Go ahead", 249, b""),
    ("SB", 250, b"\x18\x01\xff\xf0"),  # TERMINAL-TYPE SEND IAC SE: RFC 1091
    ("WILL", 251, b"\x01"),  # ECHO: RFC 857
    ("WON'T", 252, b"\x01"),
    ("DO", 253, b"\x01"),
    ("DON'T", 254, b"\x01"),
]


def test_code_points() -> None:
    codes = {name: code for name, code, _ in COMMANDS}
    assert (
        codes["NOP"],
        codes["SB"],
        codes["WILL"],
        codes["DON'T"],
    ) == (telnet.NOP, telnet.SB, telnet.WILL, telnet.DONT)
    assert (telnet.IAC, telnet.SE) == (255, 240)


@pytest.mark.parametrize(("code", "rest"), [c[1:] for c in COMMANDS], ids=[c[0] for c in COMMANDS])
def test_command_is_told_from_text(code: int, rest: bytes) -> None:
    assert telnet.split(b"a" + bytes((255, code)) + rest + b"b") == (True, b"ab")


def test_doubled_iac_is_the_data_byte_255() -> None:
    """RFC 854: the data byte 255 is sent twice."""
    assert telnet.split(b"a\xff\xffb") == (False, b"a\xffb")


def test_codes_below_240_are_no_commands() -> None:
    assert not telnet.split(b"\xff\x01")[0]


@given(st.lists(st.sampled_from([bytes((255, c)) + rest for _, c, rest in COMMANDS] + [b"x", b"\xff\xff"])))
def test_whatever_is_cut_off_is_dropped(parts: list[bytes]) -> None:
    whole = b"".join(parts)
    text = b"".join({b"x": b"x", b"\xff\xff": b"\xff"}.get(p, b"") for p in parts)
    assert telnet.split(whole) == (any(len(p) > 1 and p != b"\xff\xff" for p in parts), text)
    for end in range(len(whole)):
        assert text.startswith(telnet.split(whole[:end])[1])
