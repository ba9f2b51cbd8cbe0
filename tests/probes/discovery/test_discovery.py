"""Own codecs of SLP, SSDP and WS-Discovery, credentials in DNS-SD, and probes against peers of every temper."""

from __future__ import annotations

import asyncio
import contextlib
import encodings
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import PASSWORD_KEYS, USER_KEYS, MdnsAnswer, SlpAnswer
from hardenprobe.model import State
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes import dns, packets
from hardenprobe.probes.discovery import datagrams, mdns, slp, ssdp, ws_discovery
from hardenprobe.probes.dns import Record
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.scope import Scope

QUICK = Timing(connect=0.5, greeting=0.1, reply=0.3, pause=0.0)
ASKED = "urn:uuid:6f1f0a52-6a3f-4d4e-9d0a-3a5a1f0c2b11"
STANDARD, DRAFT, _ = ws_discovery.DIALECTS


# ---- any bytes


@given(st.binary(max_size=200) | st.binary(max_size=60).map(lambda b: b"\x02\x02\0\0\x40" + b))
def test_slp_any_bytes(data: bytes) -> None:
    try:
        error, urls = slp.decode_reply(data, 7)
    except MalformedReply:
        return
    assert 0 <= error <= 0xFFFF and len(urls) <= slp.MOST_URLS


@given(st.binary(max_size=300) | st.binary(max_size=200).map(lambda b: b"HTTP/1.1 200 OK\r\n" + b))
def test_ssdp_any_bytes(data: bytes) -> None:
    try:
        fields = ssdp.decode_response(data)
    except MalformedReply:
        return
    assert {"st", "usn"} & fields.keys()


@given(st.binary(max_size=300) | st.text(max_size=200).map(lambda t: f"<a>{t}</a>".encode()))
def test_ws_discovery_any_bytes(data: bytes) -> None:
    with pytest.raises(MalformedReply):
        ws_discovery.decode_matches(data, STANDARD, ASKED)


# ---- SLP


def slp_reply(xid: int, urls: list[str], error: int = 0) -> bytes:
    entries = b"".join(bytes(3) + len(u.encode()).to_bytes(2) + u.encode() + b"\0" for u in urls)
    body = error.to_bytes(2) + len(urls).to_bytes(2) + entries
    return b"\x02\x02" + (16 + len(body)).to_bytes(3) + bytes(5) + xid.to_bytes(2) + b"\0\x02en" + body


@given(
    st.integers(0, 0xFFFF),
    st.lists(st.text(st.characters(codec="ascii", exclude_categories=["Cc"]), max_size=40), max_size=8),
)
def test_slp_reply_comes_apart_into_what_it_was_made_of(xid: int, urls: list[str]) -> None:
    assert slp.decode_reply(slp_reply(xid, urls), xid) == (0, tuple(urls))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda b: b[:-1],
        lambda b: b + b"\0",
        lambda b: b"\x01" + b[1:],
        lambda b: b[:1] + b"\x01" + b[2:],
        lambda b: b[:10] + b"\0\0" + b[12:],
        lambda b: b[:-1] + b"\x01",
    ],
    ids=["cut", "longer", "version 1", "a request", "another request", "authentication"],
)
def test_a_spoilt_slp_reply_is_malformed(spoil: Callable[[bytes], bytes]) -> None:
    with pytest.raises(MalformedReply):
        slp.decode_reply(spoil(slp_reply(7, ["service:printer://x"])), 7)


def test_an_slp_request_is_no_reply() -> None:
    with pytest.raises(MalformedReply):
        slp.decode_reply(slp.encode_request(7), 7)


# ---- SSDP


def test_ssdp_response_is_read_and_a_search_or_an_error_is_none() -> None:
    good = b"HTTP/1.1 200 OK\r\nST: upnp:rootdevice\r\nServer: x\r\nserver: second\r\n\r\n"
    assert ssdp.decode_response(good) == {"st": "upnp:rootdevice", "server": "x"}
    for bad in (
        ssdp.encode_search("127.0.0.1"),
        good.replace(b"200 OK", b"404 No"),
        b"NOTIFY * HTTP/1.1\r\nNT: x\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nServer: a web server\r\n\r\n",
    ):
        with pytest.raises(MalformedReply):
            ssdp.decode_response(bad)


def test_ssdp_search_names_the_device_itself() -> None:
    assert b"HOST: [::1]:1900\r\n" in ssdp.encode_search("::1")
    assert b"HOST: 127.0.0.1:1900\r\n" in ssdp.encode_search("127.0.0.1")
    assert b"MX" not in ssdp.encode_search("127.0.0.1")
    # Section 1.3.2: what goes to everybody names the group, and says how long an answer may take
    search = ssdp.encode_search(ssdp.GROUPS[4], "MX: 1")
    assert b"\r\nHOST: 239.255.255.250:1900\r\n" in search and b"\r\nMX: 1\r\n" in search


# ---- WS-Discovery


def matches(dialect: ws_discovery.Dialect, asked: str = ASKED, body: str = "") -> bytes:
    return (
        f'<s:Envelope xmlns:s="{ws_discovery.SOAP}" xmlns:a="{dialect.addressing}" xmlns:d="{dialect.namespace}">'
        f"<s:Header><a:RelatesTo>{asked}</a:RelatesTo></s:Header><s:Body>"
        + (body or "<d:ProbeMatches><d:ProbeMatch><d:Types>p:A p:B</d:Types><d:XAddrs>http://x/</d:XAddrs>"
           "</d:ProbeMatch></d:ProbeMatches>")
        + "</s:Body></s:Envelope>"
    ).encode()  # fmt: skip


@pytest.mark.parametrize("dialect", ws_discovery.DIALECTS)
def test_probe_matches_are_read(dialect: ws_discovery.Dialect) -> None:
    assert ws_discovery.decode_matches(matches(dialect), dialect, ASKED) == ("p:A", "p:B", "http://x/")
    assert ws_discovery.decode_matches(matches(dialect, body="<d:ProbeMatches/>"), dialect, ASKED) == ()


def test_names_of_encodings_that_a_device_states_are_not_remembered() -> None:
    """Python keeps each that it does not know, for as long as it runs; UTF-8 and UTF-16 are read: XML 1.0 section 4.3.3."""
    known = len(encodings._cache)  # type: ignore[attr-defined]
    for number in range(50):
        stated = b'<?xml version="1.0" encoding="unheard-of-%d"?>' % number + matches(STANDARD)
        with contextlib.suppress(MalformedReply):
            ws_discovery.decode_matches(stated, STANDARD, ASKED)
    assert len(encodings._cache) <= known + 2  # type: ignore[attr-defined]
    wide = matches(STANDARD).decode().encode("utf-16")
    assert ws_discovery.decode_matches(wide, STANDARD, ASKED) == ("p:A", "p:B", "http://x/")


BOMB = b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "x"><!ENTITY c "&b;&b;&b;&b;">]><a>&c;</a>'


@pytest.mark.parametrize(
    "data",
    [
        matches(DRAFT),
        matches(STANDARD, asked="urn:uuid:00000000-0000-0000-0000-000000000000"),
        matches(STANDARD, body="<d:Hello/>"),
        ws_discovery.encode_probe(STANDARD, ASKED),
        BOMB,
        b"<!DOCTYPE a SYSTEM 'file:///etc/hostname'>" + matches(STANDARD),
        b"<a>" * 3000,
        b'<?xml version="1.0" encoding="no-such"?><a/>',
        b" " * (ws_discovery.SIZE_CAP + 1),
    ],
    ids=["draft", "another probe", "hello", "a probe", "entities", "DTD", "deep", "encoding", "size"],
)
def test_what_is_no_probe_match_of_ours_is_malformed(data: bytes) -> None:
    with pytest.raises(MalformedReply):
        ws_discovery.decode_matches(data, STANDARD, ASKED)


# ---- credentials in DNS-SD


def named(text: str) -> bytes:
    return b"".join(bytes((len(part),)) + part.encode() for part in text.split(".")) + b"\0"


def text_message(strings: list[bytes]) -> bytes:
    data = b"".join(bytes((len(s),)) + s for s in strings)
    head = b"\0\0\x84\0\0\0\0\1\0\0\0\0"
    return head + named("A._ftp._tcp.local") + b"\0\x10\0\1\0\0\0\x0a" + len(data).to_bytes(2) + data


keys = st.sampled_from(sorted(USER_KEYS | PASSWORD_KEYS))
others = st.sampled_from([b"rp=lp", b"txtvers=1", b"qtotal=1", b"menu=top", b"u", b"p="])
# The marker cannot come about by chance, so that finding it in the transcript is a leak.
values = st.binary(max_size=150).map(lambda b: b"SECRET" + b)


@settings(max_examples=60)
@given(keys, values, st.lists(others, max_size=3), st.booleans())
def test_a_published_value_is_starred_whether_or_not_the_message_can_be_read(
    key: str, value: bytes, around: list[bytes], upper: bool
) -> None:
    name = (key.upper() if upper else key).encode()
    whole = text_message([*around, name + b"=" + value, *around])
    for data in (whole, whole + b"\xff" * 5, b"\1" + whole[1:]):
        kept = mdns.starred(data, 7)
        assert len(kept) == len(data)
        assert b"SECRET" not in kept
    facts = mdns.text_of(Record("A", 16, strings=(*around, name + b"=" + value)))
    assert key in facts.filled
    assert "SECRET" not in str(facts)


@given(st.lists(st.binary(max_size=30), max_size=10))
def test_text_records_of_anything_are_keys(strings: list[bytes]) -> None:
    facts = mdns.text_of(Record("A", 16, strings=tuple(strings)))
    assert set(facts.filled) <= set(facts.keys)
    assert all("=" not in key and key == key.lower() for key in facts.keys)


def test_a_value_under_either_of_two_equal_keys_counts() -> None:
    assert mdns.text_of(Record("A", 16, strings=(b"p", b"P=x", b"p="))).filled == ("p",)


# ---- peers


@asynccontextmanager
async def peer(answer: Callable[[bytes], bytes | None]) -> AsyncIterator[int]:
    """A datagram service on a port that the system chooses."""

    class Service(asyncio.DatagramProtocol):
        def connection_made(self, transport: Any) -> None:
            self.transport = transport

        def datagram_received(self, data: bytes, addr: Any) -> None:
            if (reply := answer(data)) is not None:
                self.transport.sendto(reply, addr)

    transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
        Service, ("127.0.0.1", 0), family=socket.AF_INET
    )
    try:
        yield transport.get_extra_info("sockname")[1]
    finally:
        transport.close()


def ask(answer: Callable[[bytes], bytes | None], read: Callable[[bytes], str], **how: Any) -> Any:
    async def run() -> Any:
        async with peer(answer) as port:
            line = DeviceLink(address="127.0.0.1", permit=Scope.loopback(), timing=QUICK)
            return await datagrams.ask(line, SlpAnswer, port, "slp", "?", slp.encode_request(7), read, **how)

    return asyncio.run(run())[0]


def read_slp(data: bytes) -> str:
    return ", ".join(slp.decode_reply(data, 7)[1])


@pytest.mark.slow
@pytest.mark.parametrize(
    ("answer", "state", "says"),
    [
        (lambda data: slp_reply(7, ["service:printer://x"]), State.ACCEPTING, "service:printer://x"),
        (lambda data: slp_reply(7, []), State.ACCEPTING, ""),
        (lambda data: data, State.ACCEPTING, None),
        (lambda data: bytes(60000), State.ACCEPTING, None),
        (lambda data: None, State.SILENT, None),
    ],
    ids=["answer", "empty answer", "reflected", "flood", "silence"],
)
def test_what_comes_back_becomes_facts(answer: Any, state: State, says: str | None) -> None:
    seen = ask(answer, read_slp)
    facts = seen.facts
    assert (facts.state, facts.says) == (state, says)
    assert (facts.fault is None) == (says is not None or state is State.SILENT)
    assert facts.sent == len(slp.encode_request(7))
    assert seen.transcript[0].direction == "sent"


def test_a_published_password_is_not_in_the_transcript() -> None:
    reply = text_message([b"u=scan", b"p=let-me-in-please"])

    async def run() -> Any:
        async with peer(lambda data: reply) as port:
            line = DeviceLink(address="127.0.0.1", permit=Scope.loopback(), timing=QUICK)
            question = packets.encode_mdns("x.local", "TXT", 7)

            def read(data: bytes) -> str:
                return mdns.told(dns.decode(data, 7, 0))

            return await datagrams.ask(
                line, MdnsAnswer, port, "mdns", "?", question, read, hide=lambda data: mdns.starred(data, 7)
            )

    seen = asyncio.run(run())[0]
    assert seen.facts.answered
    kept = bytes.fromhex(seen.transcript[1].hex)
    assert len(kept) == len(reply)
    assert b"let-me-in-please" not in kept and b"scan" not in kept
    assert b"p=****************" in kept


def test_the_root_of_a_scan_service_is_kept_and_no_other_value() -> None:
    scans = mdns.text_of(Record("A._uscan._tcp.local.", 16, strings=(b"txtvers=1", b"rs=eSCL", b"note=x")))
    assert scans.scan_root == "eSCL"
    assert mdns.text_of(Record("A._uscans._tcp.local.", 16, strings=(b"RS=/a/b",))).scan_root == "/a/b"
    assert mdns.text_of(Record("A._ipp._tcp.local.", 16, strings=(b"rs=eSCL",))).scan_root is None
    assert mdns.text_of(Record("A._uscan._tcp.local.", 16, strings=(b"rs",))).scan_root is None
