"""Ask a device for its printing service over SLP. The codec is our own: a request and its reply are a few fields."""

from __future__ import annotations

import secrets
import struct
from collections.abc import AsyncIterator
from functools import partial

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import SlpAnswer, readable
from hardenprobe.model import Observation
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.discovery import datagrams

PORT = 427  # IANA
SERVICE = "service:printer"
REQUEST, REPLY, AGENT_ADVERT = 1, 2, 11  # RFC 2608 section 8, Function-ID
MULTICAST = 0x2000  # RFC 2608 section 8: R, request by multicast
MOST_URLS = 8
_HEADER = struct.Struct(
    ">BB3sH3sHH"
)  # RFC 2608 section 8: version, function, length, flags, extension, XID, tag length


def encode_request(
    xid: int, service: str = SERVICE, scope: str = "DEFAULT", *, to_group: bool = False
) -> bytes:
    """Write a service request. Source: RFC 2608 sections 8 and 8.1.

    >>> encode_request(0x0101).hex()[:32]
    '0201000030000000000001010002656e'
    """
    fields = ("", service, scope, "", "")
    body = b"".join(struct.pack(">H", len(f)) + f.encode("ascii") for f in fields)
    tag = b"en"
    length = _HEADER.size + len(tag) + len(body)
    return (
        _HEADER.pack(2, REQUEST, length.to_bytes(3), MULTICAST if to_group else 0, bytes(3), xid, len(tag))
        + tag
        + body
    )


def decode_reply(data: bytes, xid: int) -> tuple[int, tuple[str, ...]]:
    """Read the reply to a service request.

    Returns:
        Error code, and the URLs named.

    Source: RFC 2608 sections 8, 8.2 and 4.3.

    Raises:
        MalformedReply: No SLPv2, no reply, or the reply to another request.
    """
    try:
        version, function, length, _, _, ours, tag = _HEADER.unpack_from(data)
        at = _HEADER.size + tag
        if version != 2 or function != REPLY:
            raise MalformedReply("SLP message that is no service reply")
        if ours != xid:
            raise MalformedReply("SLP reply to another request")
        if int.from_bytes(length) != len(data):
            raise MalformedReply("SLP reply whose length is wrong")
        error, count = struct.unpack_from(">HH", data, at)
        at += 4
        urls = []
        for _ in range(min(count, MOST_URLS)):
            (size,) = struct.unpack_from(">H", data, at + 3)  # after a reserved byte and the lifetime
            url = data[at + 5 : at + 5 + size]
            if len(url) != size:
                raise MalformedReply("SLP URL entry that is cut off", at)
            (blocks,) = struct.unpack_from(">B", data, at + 5 + size)
            if blocks:
                raise MalformedReply("SLP URL entry with authentication, which was not requested", at)
            urls.append(readable(url, 200))
            at += 6 + size
    except struct.error as exc:
        raise MalformedReply(f"SLP reply that is cut off: {exc}") from exc
    return error, tuple(urls)


def told(data: bytes, xid: int) -> str:
    """Say what a reply holds, in words.

    Raises:
        MalformedReply: As for `decode_reply`.
    """
    error, urls = decode_reply(data, xid)
    return f"error {error}" if error else ", ".join(urls) or "no service"


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[SlpAnswer]]:
    if PORT not in asked.plan.udp_ports:
        return
    xid = secrets.randbelow(0xFFFF) + 1

    read = partial(told, xid=xid)
    seen, _ = await datagrams.ask(asked.line, SlpAnswer, PORT, "slp", SERVICE, encode_request(xid), read)
    yield seen


def _to_group(service: str, _: str) -> datagrams.Question:
    xid = secrets.randbelow(0xFFFF) + 1
    message = encode_request(xid, service, to_group=True)
    return datagrams.Question(words=service, message=message, read=partial(told_to_group, xid=xid))


def told_to_group(data: bytes, xid: int) -> str:
    """Say what an answer to a multicast request holds; agents advertise themselves (RFC 2608 section 8.6).

    Raises:
        MalformedReply: It is neither a reply nor an advertisement of an agent, or answers another request.
    """
    if data[:2] != bytes((2, AGENT_ADVERT)):
        return told(data, xid)
    at = _HEADER.size + int.from_bytes(data[12:14])
    end = at + 2 + int.from_bytes(data[at : at + 2])
    if int.from_bytes(data[10:12]) != xid or len(data) < at + 2 or end > len(data):
        raise MalformedReply("SLP advertisement that is cut off, or answers another request")
    return readable(data[at + 2 : end], 200) or "an agent"


TO_GROUP = tuple(
    datagrams.GroupQuestion(
        service="slp",
        facts=SlpAnswer,
        port=PORT,
        groups=("239.255.255.253", group),
        make=partial(_to_group, service),
    )
    for service, group in ((SERVICE, ""), ("service:service-agent", "ff02::116"))
)  # RFC 2608 sections 6.1 and 6.4; RFC 3111 section 4.1
PROBE = Probe(name="slp", produces=(SlpAnswer,), ask=_ask, place=("udp", PORT), to_groups=TO_GROUP)
