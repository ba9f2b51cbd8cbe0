"""The Internet Printing Protocol as far as a reader needs it: Get-Printer-Attributes and Get-Jobs.

Source: RFC 8010 (encoding), RFC 8011 (model, operations and status codes).
"""

from __future__ import annotations

import struct
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal
from urllib.parse import urlsplit

from hardenprobe.demo_lab import web
from hardenprobe.demo_lab.service import Encryption, Host, Service, Talk
from hardenprobe.demo_lab.service_http import FORBIDDEN

PATH = "/ipp/print"  # RFC 8011 section 4.2 leaves it open; this is what most devices use, common practice
KIND = "application/ipp"

# RFC 8010 section 3.5: tags.
OPERATION_GROUP, JOB_GROUP, PRINTER_GROUP, END = 0x01, 0x02, 0x04, 0x03
SYSTEM_GROUP = 0x0A  # PWG 5100.22
INTEGER, BOOLEAN, ENUM = 0x21, 0x22, 0x23
COLLECTION, END_COLLECTION, SCHEME, MEMBER = 0x34, 0x37, 0x46, 0x4A
TEXT, NAME, KEYWORD, URI, CHARSET, LANGUAGE, MIME = 0x41, 0x42, 0x44, 0x45, 0x47, 0x48, 0x49

# RFC 8011 section 5.4.15: operations; appendix B: status codes.
GET_JOBS, GET_PRINTER_ATTRIBUTES = 0x000A, 0x000B
GET_SYSTEM_ATTRIBUTES = 0x005B  # PWG 5100.22
DESTINATION_SCHEMES = "destination-uri-schemes-supported"
OK, BAD_REQUEST, NOT_FOR_YOU = 0x0000, 0x0400, 0x0401
UNKNOWN_OPERATION, UNKNOWN_VERSION = 0x0501, 0x0503

Value = str | bytes | int | bool
Attribute = tuple[int, str, Sequence[Value]]


Further = Literal["fax out", "scan", "system", "print", "basic"]


@dataclass(frozen=True, kw_only=True)
class Ipp(Service, speaks="ipp"):
    """A print service on 631.

    Attributes:
        encryption: none, tls, or both on one port, distinguished by the client's first byte.
        authentication: What `uri-authentication-supported` states.
        print_by_reference: Offer Print-URI and Send-URI.
        path: Where it lives; every other path is not found.
        elsewhere: Address of another host's print service that it tells first, without security and authentication.
        services: Path of further services to how each answers a stranger: "fax out", "scan" and "system" tell their attributes,
            "print" those of the print service, "basic" is 401.
        destinations: Where the scan service says it sends to.
        jobs: A finished job with the names of its title and its user, with neither, none at all, or a refusal.
    """

    says_forbidden = True

    port: int = 631
    encryption: Encryption = "none"
    authentication: Literal["none", "requesting-user-name", "basic", "digest", "certificate"] = "none"
    print_by_reference: bool = False
    path: str = PATH
    elsewhere: str | None = None
    services: Mapping[str, Further] = field(default_factory=dict)
    destinations: tuple[str, ...] = ()
    jobs: Literal["none", "named", "private", "refused"] = "none"

    @property
    def spoken_in(self) -> Encryption:
        return self.encryption

    async def serve(self, talk: Talk) -> None:
        async for asked, connection in web.requests(talk):
            reply = self._reply(talk, asked) if talk.admitted else FORBIDDEN
            await web.send(talk, connection, reply, method=asked.method)

    def _reply(self, talk: Talk, asked: web.Asked) -> web.Reply:
        further = self.services.get(asked.path)
        if further == "basic":
            return web.Reply(status=401, headers={"WWW-Authenticate": 'Basic realm="device"'})
        if asked.path != self.path and further is None:
            return web.Reply(status=404)
        if asked.method != "POST" or asked.headers.get("content-type", "").partition(";")[0].strip() != KIND:
            return web.Reply(status=400)
        body = self.answer(asked.body, talk.host, asked.headers.get("host"), further or "print")
        return web.Reply(status=200, kind=KIND, body=body)

    def answer(
        self, request: bytes, host: Host, asked: str | None = None, service: Further = "print"
    ) -> bytes:
        """Answer one IPP request to a service; the bytes are a whole IPP message."""
        try:
            major, minor, operation, request_id = struct.unpack_from(">BBHI", request)
            wanted = requested(request)
        except (struct.error, ValueError):
            return _message((1, 1), BAD_REQUEST, 1)
        if major not in (1, 2):
            return _message((2, 0), UNKNOWN_VERSION, request_id)
        if operation == GET_JOBS:
            status = NOT_FOR_YOU if self.jobs == "refused" else OK
            jobs = [] if b"not-completed" in request else self._finished()
            return _message((major, minor), status, request_id, jobs, group=JOB_GROUP)
        if operation != (GET_SYSTEM_ATTRIBUTES if service == "system" else GET_PRINTER_ATTRIBUTES):
            return _message((major, minor), UNKNOWN_OPERATION, request_id)
        if service != "print":
            group = SYSTEM_GROUP if service == "system" else PRINTER_GROUP
            return _message((major, minor), OK, request_id, self._of_service(service), group=group)
        known = self.attributes(host, asked)
        every = not wanted or wanted & {"all", "printer-description"}
        kept = [a for a in known if every or a[1] in wanted]
        return _message((major, minor), OK, request_id, kept)

    def _of_service(self, service: Further) -> list[Attribute]:
        """What a further service says of itself (PWG 5100.15, 5100.17, 5100.22)."""
        if service == "system":
            return [(ENUM, "system-state", [3]), (NAME, "system-name", ["system"])]
        if service == "fax out":
            return [(KEYWORD, "ipp-features-supported", ["faxout"]), (SCHEME, DESTINATION_SCHEMES, ["tel"])]
        schemes = sorted({urlsplit(one).scheme for one in self.destinations} or {"https"})
        return [
            (KEYWORD, "ipp-features-supported", ["scan"]),
            (KEYWORD, "input-attributes-supported", ["input-source"]),
            (SCHEME, DESTINATION_SCHEMES, schemes),
            *((COLLECTION, "destination-uri-ready", [_destination(one)]) for one in self.destinations[:1]),
            *((COLLECTION, "", [_destination(one)]) for one in self.destinations[1:]),
        ]

    def _finished(self) -> list[Attribute]:
        """The one finished job, as far as a stranger may know it."""
        match self.jobs:
            case "named":
                return [
                    (NAME, "job-name", ["Berth allocation, draft"]),
                    (NAME, "job-originating-user-name", ["m.quay"]),
                ]
            case "private":
                return [(NAME, "job-name", [""]), (NAME, "job-originating-user-name", ["anonymous"])]
        return []

    def attributes(self, host: Host, asked: str | None = None) -> list[Attribute]:
        """What the printer says of itself (RFC 8011 section 5.4)."""
        device = host.device
        authority = host.authority(asked, self.port, 631)
        ways = {"none": ("none",), "tls": ("tls",), "both": ("none", "tls")}[self.encryption]
        schemes = {"none": "ipp", "tls": "ipps"}
        operations = [
            GET_JOBS,
            GET_PRINTER_ATTRIBUTES,
            *((0x0003, 0x0007) if self.print_by_reference else ()),
        ]
        listed = device.listed
        own = [f"{schemes[way]}://{authority}{self.path}" for way in ways]
        other = [self.elsewhere] if self.elsewhere else []
        bare = ["none"] * len(other)
        return [
            (URI, "printer-uri-supported", [*other, *own]),
            (KEYWORD, "uri-security-supported", [*bare, *ways]),
            (KEYWORD, "uri-authentication-supported", [*bare, *[self.authentication] * len(ways)]),
            (NAME, "printer-name", [(listed.names or listed.addresses)[0]]),
            (TEXT, "printer-location", [listed.place or ""]),
            (TEXT, "printer-make-and-model", [device.lab.model if device.lab else ""]),
            (TEXT, "printer-serial-number", [listed.serial or ""]),
            (TEXT, "printer-device-id", [f"MFG:Demo lab;MDL:{device.lab.model if device.lab else ''};"]),
            (NAME, "printer-firmware-name", ["system"]),
            (TEXT, "printer-firmware-string-version", [device.lab.firmware if device.lab else ""]),
            (URI, "printer-uuid", [f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_DNS, listed.asset_tag)}"]),
            (ENUM, "printer-state", [3]),
            (KEYWORD, "printer-state-reasons", ["none"]),
            (BOOLEAN, "printer-is-accepting-jobs", [True]),
            (INTEGER, "queued-job-count", [0]),
            (KEYWORD, "ipp-versions-supported", ["1.1", "2.0"]),
            (ENUM, "operations-supported", sorted(operations)),
            (CHARSET, "charset-configured", ["utf-8"]),
            (CHARSET, "charset-supported", ["utf-8"]),
            (LANGUAGE, "natural-language-configured", ["en"]),
            (LANGUAGE, "generated-natural-language-supported", ["en"]),
            (MIME, "document-format-default", ["application/octet-stream"]),
            (MIME, "document-format-supported", ["application/octet-stream", "image/pwg-raster"]),
            (KEYWORD, "compression-supported", ["none"]),
            (KEYWORD, "pdl-override-supported", ["not-attempted"]),
            (INTEGER, "printer-up-time", [max(1, int(host.uptime_s))]),
        ]


def _destination(uri: str) -> bytes:
    """The rest of a collection after its begin tag: one member, and the end (RFC 8010 section 3.1.6)."""
    member, address = b"destination-uri", uri.encode()
    return b"".join(
        bytes([tag]) + b"\0\0" + len(value).to_bytes(2) + value
        for tag, value in ((MEMBER, member), (URI, address), (END_COLLECTION, b""))
    )


def requested(request: bytes) -> frozenset[str]:
    """Read `requested-attributes` out of a request.

    Raises:
        ValueError: The attributes do not end where the message does.
    """
    found: set[str] = set()
    at, name = 8, b""
    while at < len(request):
        tag = request[at]
        at += 1
        if tag == END:
            return frozenset(found)
        if tag < 0x10:
            continue
        parts = []
        for _ in range(2):
            (length,) = struct.unpack_from(">H", request, at)
            parts.append(request[at + 2 : at + 2 + length])
            at += 2 + length
        name = parts[0] or name
        if name == b"requested-attributes":
            found.add(parts[1].decode("ascii", "replace"))
    raise ValueError("no end-of-attributes tag")


def encode(attribute: Attribute) -> bytes:
    """Write one attribute with all its values (RFC 8010 section 3.1.4 and 3.1.5).

    >>> encode((KEYWORD, "uri-security-supported", ["tls"])).hex()
    '4400167572692d73656375726974792d737570706f727465640003746c73'
    """
    tag, name, values = attribute
    out = b""
    for value in values:
        if isinstance(value, bool):
            data = struct.pack(">?", value)
        elif isinstance(value, int):
            data = struct.pack(">i", value)
        else:
            data = value.encode() if isinstance(value, str) else value
        length = 0 if tag == COLLECTION else len(data)  # a collection's members follow it
        out += struct.pack(">BH", tag, len(name)) + name.encode() + struct.pack(">H", length) + data
        name = ""  # further values of the same attribute have an empty name
    return out


def _message(
    version: tuple[int, int],
    status: int,
    request_id: int,
    attributes: Sequence[Attribute] = (),
    group: int = PRINTER_GROUP,
) -> bytes:
    out = struct.pack(">BBHI", *version, status, request_id) + bytes([OPERATION_GROUP])
    out += encode((CHARSET, "attributes-charset", ["utf-8"]))
    out += encode((LANGUAGE, "attributes-natural-language", ["en"]))
    if attributes:
        out += bytes([group]) + b"".join(map(encode, attributes))
    return out + bytes([END])
