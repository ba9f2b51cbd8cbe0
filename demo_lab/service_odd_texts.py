"""Services that are in order but for their texts: each writes the same odd text into every field that holds one."""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

from pysnmp.proto import rfc1902

from hardenprobe.demo_lab import mib
from hardenprobe.demo_lab.service import Answer, Host, Service, Talk
from hardenprobe.demo_lab.service_hostile import _request
from hardenprobe.demo_lab.service_ipp import MIME, NAME, TEXT, Attribute, Ipp
from hardenprobe.demo_lab.service_snmp import Snmp

TEXTS: Mapping[str, bytes] = {
    "beyond-ascii": b"F\xc7ound \xe9\xff",
    "invalid-utf-8": b"\xc3\x28 \xa0\xa1 \xf0\x28\x8c\xbc",
    "nul": b"a\0b\0",
    "surrogates": b"\xed\xa0\x80\xed\xbf\xbf",  # what UTF-16 halves look like in the form of UTF-8
    "long": b"x" * 65535,
    "other-digits": "٢٠٢٦ ⅷ² ١١:٢٢".encode(),
    "many-digits": b"9" * 5000,
    "negative-date": b"Mon, -1 Jan -0001 -1:-1:-1 -9999",
    "far-date": b"Fri, 31 Dec 99999 23:59:60 +9999",
}
Words = Literal[
    "beyond-ascii", "invalid-utf-8", "nul", "surrogates", "long", "other-digits", "many-digits", "negative-date", "far-date"
]  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class OddTexts(Service, speaks="odd-texts"):
    """A TCP service.

    Attributes:
        protocol: In which it speaks.
        text: A key of TEXTS.
    """

    protocol: Literal["ftp", "telnet", "http", "ssh", "rfb"]
    text: Words

    async def serve(self, talk: Talk) -> None:
        text = TEXTS[self.text]
        match self.protocol:
            case "ftp":
                await talk.say(b"220 " + text + b"\r\n")
                while await talk.line() is not None:
                    await talk.say(b"331 " + text + b"\r\n")
            case "telnet":
                await talk.say(b"\xff\xfb\x01" + text + b" login: ")
                await talk.some()
            case "ssh":
                await talk.say(b"SSH-2.0-" + text + b" " + text + b"\r\n")
                await talk.some()
            case "rfb":
                await talk.say(b"RFB 003.008\n")
                await talk.line()
                await talk.say(b"\0" + struct.pack(">I", len(text)) + text)
            case "http":
                while b"\r\n\r\n" in await _request(talk):
                    await talk.say(_page(text))


def _page(text: bytes) -> bytes:
    """A redirect with a session and a page, every header with the text."""
    fields = [
        (b"Server", text),
        (b"Location", b"/" + text),
        (b"Set-Cookie", b"session=" + text + b"; Path=" + text + b"; Expires=" + text + b"; Max-Age=" + text),
        (b"Set-Cookie", text + b"=0123456789abcdef0123"),
        (b"Date", text),
        (b"WWW-Authenticate", b'Basic realm="' + text + b'", ' + text),
        (b"Strict-Transport-Security", b"max-age=" + text),
        (b"Content-Type", b"text/html; charset=" + text),
    ]
    body = b"<title>" + text + b"</title><form><input type=password name=" + text + b">"
    head = b"".join(name + b": " + value + b"\r\n" for name, value in fields)
    return b"HTTP/1.1 302 " + text + b"\r\n" + head + b"Content-Length: %d\r\n\r\n" % len(body) + body


@dataclass(frozen=True, kw_only=True)
class OddDatagrams(Service, speaks="odd-datagrams"):
    """A UDP service.

    Attributes:
        protocol, text: As for OddTexts; a datagram holds the beginning of a long text.
    """

    transport: ClassVar[Literal["tcp", "udp"]] = "udp"

    protocol: Literal["dns", "ssdp", "ws-discovery", "ntp", "tftp", "netbios", "slp"]
    text: Words

    def answerer(self, host: Host) -> Answer:
        text, answer = TEXTS[self.text][:1000], _DATAGRAMS[self.protocol]
        return lambda data: answer(data, text)


def _dns(data: bytes, text: bytes) -> bytes:
    label, string = bytes((len(text[:63]),)) + text[:63], bytes((len(text[:255]),)) + text[:255]
    name = label + b"\0"
    records = [
        data[12:-4] + struct.pack(">HHIH", 12, 1, 10, len(name)) + name,
        name + struct.pack(">HHIH", 16, 1, 10, len(string)) + string,
    ]
    return data[:2] + struct.pack(">5H", 0x8400, 1, len(records), 0, 0) + data[12:] + b"".join(records)


def _ssdp(data: bytes, text: bytes) -> bytes:
    told = b"".join(name + b": " + text + b"\r\n" for name in (b"ST", b"USN", b"SERVER", b"LOCATION"))
    return b"HTTP/1.1 200 " + text + b"\r\n" + told + b"\r\n"


def _ws_discovery(data: bytes, text: bytes) -> bytes:
    return (
        b"<Envelope><Body><ProbeMatches><ProbeMatch><Types>"
        + text
        + b"</Types><XAddrs>"
        + text
        + b"</XAddrs></ProbeMatch></ProbeMatches></Body></Envelope>"
    )


def _ntp(data: bytes, text: bytes) -> bytes:
    padded = text[:400] + bytes(-len(text[:400]) % 4)
    return data[:1] + bytes((0x82,)) + data[2:8] + struct.pack(">HH", 0, len(text[:400])) + padded


def _tftp(data: bytes, text: bytes) -> bytes:
    return b"\0\5\0\1" + text + b"\0"


def _netbios(data: bytes, text: bytes) -> bytes:
    body = b"\1" + text[:15].ljust(15) + b"\0\4\0" + bytes(46)
    head = data[:2] + struct.pack(">5H", 0x8400, 0, 1, 0, 0)
    return head + data[12:46] + struct.pack(">HHIH", 0x21, 1, 0, len(body)) + body


def _slp(data: bytes, text: bytes) -> bytes:
    """A service reply of RFC 2608 section 8.2, with one URL."""
    entry = b"\0" + struct.pack(">HH", 60, len(text)) + text + b"\0"
    body = struct.pack(">HH", 0, 1) + entry
    head = struct.pack(">BB3sH3s", 2, 2, (16 + len(body)).to_bytes(3), 0, b"\0\0\0") + data[10:12] + b"\0\2en"
    return head + body


_DATAGRAMS: Mapping[str, Callable[[bytes, bytes], bytes]] = {
    "dns": _dns,
    "ssdp": _ssdp,
    "ws-discovery": _ws_discovery,
    "ntp": _ntp,
    "tftp": _tftp,
    "netbios": _netbios,
    "slp": _slp,
}


@dataclass(frozen=True, kw_only=True)
class OddSnmp(Snmp, speaks="odd-snmp"):
    """An agent all of whose strings are the text.

    Attributes:
        text: A key of TEXTS.
    """

    text: Words

    def table(self, host: Host) -> mib.Table:
        return _OddTable(super().table(host), TEXTS[self.text][:1000])


class _OddTable(mib.Table):
    def __init__(self, table: mib.Table, text: bytes) -> None:
        super().__init__({})
        self._table, self._text = table, text

    def _odd(self, value: Any) -> Any:
        return rfc1902.OctetString(self._text) if isinstance(value, rfc1902.OctetString) else value

    def get(self, oid: mib.Oid) -> Any | None:
        return self._odd(self._table.get(oid))

    def knows(self, oid: mib.Oid) -> bool:
        return self._table.knows(oid)

    def after(self, oid: mib.Oid) -> tuple[mib.Oid, Any] | None:
        found = self._table.after(oid)
        return found and (found[0], self._odd(found[1]))


@dataclass(frozen=True, kw_only=True)
class OddIpp(Ipp, speaks="odd-ipp"):
    """A print service all of whose names and texts are the text, after what a client must find in order.

    Attributes:
        text: A key of TEXTS.
    """

    text: Words

    def attributes(self, host: Host, asked: str | None = None) -> list[Attribute]:
        odd = [TEXTS[self.text]]
        plain = super().attributes(host, asked)
        return [
            (tag, name, odd if tag in (TEXT, NAME, MIME) or name == "printer-uuid" else values)
            for tag, name, values in plain
        ]
