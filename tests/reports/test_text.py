"""Device text can do nothing but be read."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.model import Address, Device, Endpoint, Exchange, Reason
from hardenprobe.reports.text import counted, dump, endpoint_text, ports_text, reason_text, visible
from hardenprobe.testing import HOSTILE


@pytest.mark.parametrize(
    ("hostile", "shown"),
    [
        ("\x1b[31mred\x07", r"\x1b[31mred\x07"),
        ("\x9b2J", r"\x9b2J"),
        ("a\u202egpj.exe", r"a\u202egpj.exe"),
        ("a\u2066b\u200bc\ufeff", r"a\u2066b\u200bc\ufeff"),
        ("one\r\ntwo\ttabs\u2028three", r"one\x0d\x0atwo\x09tabs\u2028three"),
        ("\U000e0041", r"\U000e0041"),
        ("\ud800", r"\ud800"),
        ("a" + "\u0301" * 5, "a" + "\u0301" * 3 + r"\u0301\u0301"),
        ("Büro 3, 印刷", "Büro 3, 印刷"),
        ("שלום", "שלום"),
    ],
)
def test_what_acts_on_a_terminal_is_shown_instead(hostile: str, shown: str) -> None:
    assert visible(hostile) == shown


@given(st.text() | st.sampled_from(HOSTILE))
def test_nothing_hidden_is_left(text: str) -> None:
    shown = visible(text)
    assert not {unicodedata.category(char) for char in shown} & {"Cc", "Cf", "Cn", "Co", "Cs", "Zl", "Zp"}
    assert visible(shown, limit=10**6) == shown
    shown.encode("utf-8")


@given(st.text(min_size=20), st.integers(1, 19))
def test_a_cut_is_shown(text: str, limit: int) -> None:
    assert visible(text, limit).endswith("…")
    assert len(visible(text, limit)) <= limit * len(r"\U000e0041") + 1


def _device(*addresses: str) -> Device:
    return Device(id="d", addresses=tuple(Address(address=a, family="ipv4") for a in addresses))


def test_an_endpoint_names_its_address_only_where_there_are_several() -> None:
    telnet = Endpoint(address="127.0.0.9", transport="tcp", port=23, protocol="telnet")
    assert endpoint_text(telnet, _device("127.0.0.9")) == "23/tcp"
    assert endpoint_text(telnet, _device("127.0.0.9", "127.0.0.10")) == "23/tcp at 127.0.0.9"
    assert endpoint_text(telnet) == "23/tcp at 127.0.0.9"
    snmp = Endpoint(address="127.0.0.9", transport="udp", port=161, path="/\x1b", server_name="host")
    assert endpoint_text(snmp, _device("127.0.0.9")) == r"161/udp /\x1b as host"
    assert endpoint_text(None, _device("127.0.0.9")) == "the device as a whole"


def test_a_dump_shows_offset_hex_and_ascii() -> None:
    data = bytes(range(0x41, 0x52)) + b"\x1b"
    assert dump(Exchange(at=0, direction="received", hex=data.hex(), length=50)) == [
        "0000  41 42 43 44 45 46 47 48  49 4a 4b 4c 4d 4e 4f 50  ABCDEFGHIJKLMNOP",
        f"0010  51 1b{'':43}  Q.",
        "(32 of 50 bytes are not kept)",
    ]


@given(st.binary(max_size=200))
def test_a_dump_holds_every_byte_and_nothing_that_acts(data: bytes) -> None:
    lines = dump(Exchange(at=0, direction="sent", hex=data.hex(), length=len(data)))
    assert bytes.fromhex("".join(line[6:54] for line in lines)) == data
    assert all(line.isascii() and line.isprintable() for line in lines)


def test_a_dump_of_no_hex_is_shown_as_text() -> None:
    assert dump(Exchange(at=0, direction="sent", hex="\x1bzz", length=3)) == [r"not hex: \x1bzz"]


def test_every_reason_has_words() -> None:
    assert len({reason_text(reason) for reason in (*Reason, None)}) == len(Reason) + 1


def test_numbers_and_ports_read_well() -> None:
    assert (counted(1, "device"), counted(2000, "device")) == ("1 device", "2,000 devices")
    assert ports_text((9100, 80, 9101, 9102, 22, 23)) == "22, 23, 80, 9100-9102"
    assert ports_text(()) == "none"
