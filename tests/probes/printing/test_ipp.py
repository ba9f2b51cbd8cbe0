"""IPP: a codec that any bytes may meet, and a probe against servers that lie."""

from __future__ import annotations

import asyncio
import contextlib
import struct
from collections.abc import Awaitable, Callable
from types import SimpleNamespace
from typing import Any, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import HttpAnswer, IppJobs, IppPrinter, PrinterUri
from hardenprobe.model import Observation
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes import tcp
from hardenprobe.probes.base import ProbeContext
from hardenprobe.probes.printing import ipp
from hardenprobe.probes.printing.ipp_codec import (
    Group,
    Operation,
    Tag,
    decode,
    encode_group,
    encode_request,
    numbers,
    texts,
)
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.scope import Scope
from hardenprobe.scope.web_paths import WebPaths

QUICK = Timing(connect=0.5, greeting=0.1, reply=0.3, pause=0.0)
PATHS = ("/ipp/print", "/ipp", "/")
END = bytes([Group.END])

# ---- the codec

values = st.one_of(
    st.tuples(st.sampled_from([Tag.INTEGER, Tag.ENUM]), st.lists(st.integers(-(2**31), 2**31 - 1), min_size=1, max_size=4)),
    st.tuples(st.just(Tag.BOOLEAN), st.lists(st.booleans(), min_size=1, max_size=4)),
    st.tuples(
        st.sampled_from([Tag.TEXT, Tag.NAME, Tag.KEYWORD, Tag.URI]), st.lists(st.text(max_size=60), min_size=1, max_size=4)
    ),
)  # fmt: skip
names = st.text("abcdefghijklmnopqrstuvwxyz-", min_size=1, max_size=20)


@given(
    st.binary(max_size=400) | st.binary(max_size=200).map(lambda b: b"\x01\x01\0\0\0\0\0\x01\x01" + b + END)
)
def test_any_bytes_are_a_message_or_malformed(data: bytes) -> None:
    with contextlib.suppress(MalformedReply):
        message = decode(data)
        assert all(isinstance(name, str) for _, group in message.groups for name in group)


@given(st.dictionaries(names, values, max_size=6), st.integers(1, 2**31 - 1))
def test_what_is_written_is_read_back(attributes: dict[str, Any], request_id: int) -> None:
    written = [(tag, name, given) for name, (tag, given) in attributes.items()]
    data = struct.pack(">BBHI", 2, 0, 0x0001, request_id) + encode_group(Group.PRINTER, written) + END
    message = decode(data + b"document data is left alone")
    assert (message.version, message.code, message.request_id) == ((2, 0), 1, request_id)
    (group,) = message.of(Group.PRINTER)
    assert group == {name: tuple(given) for name, (_, given) in attributes.items()}


@given(st.dictionaries(names, values, min_size=1, max_size=4), st.data())
def test_every_cut_is_malformed(attributes: dict[str, Any], data: Any) -> None:
    written = [(tag, name, given) for name, (tag, given) in attributes.items()]
    whole = struct.pack(">BBHI", 1, 1, 0, 1) + encode_group(Group.PRINTER, written) + END
    with pytest.raises(MalformedReply):
        decode(whole[: data.draw(st.integers(0, len(whole) - 1))])


def message(*groups: bytes, status: int = 0, request_id: int = 1) -> bytes:
    return struct.pack(">BBHI", 1, 1, status, request_id) + b"".join(groups) + END


def value(tag: int, name: bytes, data: bytes) -> bytes:
    return struct.pack(">BH", tag, len(name)) + name + struct.pack(">H", len(data)) + data


def test_collections_inside_collections_are_stepped_over_and_values_out_of_band_are_none() -> None:
    group = bytes([Group.PRINTER]) + b"".join(
        (
            value(0x34, b"media-col", b""),
            value(0x4A, b"", b"media-size"),
            value(0x34, b"", b""),
            value(0x4A, b"", b"x"),
            value(0x21, b"", b"\0\0\0\1"),
            value(0x37, b"", b""),
            value(0x37, b"", b""),
            value(0x10, b"printer-uuid", b""),
            value(0x35, b"printer-info", b"\0\2en\0\4ward"),
            value(0x35, b"broken", b"\0\xffen"),
            value(0x23, b"short", b"\0\1"),
        )
    )
    (read,) = decode(message(group)).of(Group.PRINTER)
    assert read == {
        "media-col": (),
        "printer-uuid": (None,),
        "printer-info": ("ward",),
        "broken": (b"\0\xffen",),
        "short": (b"\0\1",),
    }
    assert (texts(read, "printer-uuid"), numbers(read, "short")) == ((), ())


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\x01\x01\0\0\0\0\0\x01",
        message()[:-1],
        message(value(Tag.NAME, b"n", b"outside of a group")),
        message(bytes([Group.JOB]) + value(Tag.NAME, b"", b"nameless")),
        message(bytes([Group.JOB]) + value(Tag.INTEGER, b"n", b"\0\0\0\1") * 10_001),
    ],
    ids=["nothing", "no end", "no end tag", "outside", "nameless", "too many"],
)
def test_malformed(data: bytes) -> None:
    with pytest.raises(MalformedReply):
        decode(data)


def test_members_of_a_collection_are_read_by_its_name_and_theirs() -> None:
    """RFC 8010 section 3.1.6 to 3.1.8: two values of a 1setOf collection."""
    one, two = (
        value(0x34, name, b"")
        + value(0x4A, b"", b"destination-uri")
        + value(0x45, b"", address)
        + value(0x37, b"", b"")
        for name, address in ((b"destination-uri-ready", b"ftp://a.example/"), (b"", b"https://b.example/"))
    )
    (read,) = decode(message(bytes([Group.PRINTER]) + one + two + value(0x44, b"next", b"word"))).of(
        Group.PRINTER
    )

    assert texts(read, "destination-uri-ready.destination-uri") == ("ftp://a.example/", "https://b.example/")
    assert texts(read, "next") == ("word",)


@pytest.mark.parametrize("number", [2**31, -(2**31) - 1])
def test_numbers_that_do_not_fit_are_refused(number: int) -> None:
    with pytest.raises(ValueError, match="cannot be written"):
        encode_request(Operation.GET_JOBS, 1, "ipp://x/", [(Tag.INTEGER, "limit", [number])])


# ---- pairing

URIS = ("ipp://a/ipp/print", "ipps://a/ipp/print")


def about(uris: Any, security: Any, authentication: Any) -> dict[str, Any]:
    return dict(zip(ipp.ABOUT_PRINTER[:3], (uris, security, authentication), strict=True))


def test_addresses_are_paired_by_position() -> None:
    pairs, why = ipp.pair(about(URIS, ("NONE", "tls"), ("none", "basic")))
    assert why is None
    assert pairs == (PrinterUri(uri=URIS[0], security="none", authentication="none"),
                     PrinterUri(uri=URIS[1], security="tls", authentication="basic"))  # fmt: skip


@pytest.mark.parametrize(
    ("told", "why"),
    [
        (about(URIS, ("tls",), ("basic", "basic")), "2 addresses, 1 and 2 words"),
        (about(URIS, (None, "tls"), ("none", "basic")), "2 addresses, 1 and 2 words"),
        (about((), (), ()), "no printer-uri-supported"),
        ({}, "no printer-uri-supported"),
    ],
)
def test_what_cannot_be_paired_is_not_guessed(told: dict[str, Any], why: str) -> None:
    pairs, said = ipp.pair(told)
    assert pairs == ()
    assert said is not None and said.startswith(why)


# ---- the probe

Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


class Printer:
    """Answers each POST by a function of its path and body; keeps what it was asked."""

    def __init__(self, answer: Callable[[str, bytes], bytes]) -> None:
        self.answer, self.asked = answer, list[tuple[str, bytes]]()

    async def __call__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1")
            size = next(
                int(x.split(":")[1]) for x in head.splitlines() if x.lower().startswith("content-length")
            )
            body = await reader.readexactly(size)
            self.asked.append((head.split(" ")[1], body))
            writer.write(self.answer(self.asked[-1][0], body))
            await writer.drain()
        writer.close()


def ok(body: bytes, kind: str = "application/ipp", status: str = "200 OK", *more: str) -> bytes:
    head = [f"HTTP/1.1 {status}", f"Content-Type: {kind}", f"Content-Length: {len(body)}", *more]
    return "\r\n".join(head).encode() + b"\r\n\r\n" + body


def ask(handler: Handler, question: Callable[[DeviceLink], Awaitable[Observation[Any]]]) -> Observation[Any]:
    async def run() -> Observation[Any]:
        server = await asyncio.start_server(handler, "127.0.0.1", 0)
        async with server:
            real = server.sockets[0].getsockname()[1]
            line = DeviceLink(
                address="127.0.0.1", permit=Scope.loopback(), timing=QUICK, port_offset=real - 631
            )
            return await question(line)

    return asyncio.run(run())


def printer(answer: Callable[[str, bytes], bytes]) -> tuple[IppPrinter, Printer]:
    server = Printer(answer)
    seen = ask(server, lambda line: ipp.ask_printer(line, 631, PATHS, None, assigned=True))
    assert isinstance(seen.facts, IppPrinter)
    return seen.facts, server


def echo_id(body: bytes) -> int:
    return int.from_bytes(body[4:8], "big")


def told(body: bytes, *attributes: Any, status: int = 0) -> bytes:
    return message(encode_group(Group.PRINTER, attributes), status=status, request_id=echo_id(body))


def test_attributes_are_reduced_to_facts() -> None:
    facts, server = printer(
        lambda path, body: ok(
            told(
                body,
                (Tag.URI, "printer-uri-supported", ["ipp://a/ipp/print"]),
                (Tag.KEYWORD, "uri-security-supported", ["none"]),
                (Tag.KEYWORD, "uri-authentication-supported", ["requesting-user-name"]),
                (Tag.ENUM, "operations-supported", [11, 2, 2, 3]),
                (Tag.TEXT, "printer-make-and-model", [" Series X "]),
                (Tag.TEXT, "printer-serial-number", ["X-1"]),
                (Tag.URI, "printer-uuid", ["urn:uuid:1"]),
                (Tag.TEXT, "printer-firmware-string-version", ["1.2", ""]),
                (Tag.NAME, "printer-firmware-name", ["engine"]),
                (
                    0x30,
                    "printer-firmware-version",
                    ["1.2", "\x01\x02"],
                ),  # octetString, RFC 8010 section 3.5.2
                (Tag.TEXT, "printer-device-id", ["MFG:Quay;MDL:X;"]),
                (Tag.MIME_MEDIA_TYPE, "document-format-supported", ["image/pwg-raster", "Application/PDF"]),
                (Tag.KEYWORD, "print-scaling-supported", ["fit"]),
                (Tag.KEYWORD, "ipp-features-supported", ["ipp-everywhere", "scan"]),
            )
        )
    )
    assert facts == IppPrinter(
        tls=False, path="/ipp/print", assigned=True, http_status=200, status=0,
        uris=(PrinterUri(uri="ipp://a/ipp/print", security="none", authentication="requesting-user-name"),),
        operations=(2, 3, 11), make_and_model="Series X", serial="X-1", uuid="urn:uuid:1", firmware=("1.2",),
        device_id="MFG:Quay;MDL:X;", firmware_names=("engine",), firmware_versions=("1.2", "0102"),
        formats=("image/pwg-raster", "application/pdf"), scaling=("fit",), features=("ipp-everywhere", "scan"),
    )  # fmt: skip
    ((path, body),) = server.asked
    request = decode(body)
    assert (path, request.code) == ("/ipp/print", 0x000B)
    (operation,) = request.of(Group.OPERATION)
    assert "requesting-user-name" not in operation


def test_paths_are_tried_until_one_speaks_ipp() -> None:
    facts, server = printer(
        lambda path, body: ok(told(body)) if path == "/" else ok(b"", "text/html", "404 Not Found")
    )
    assert (facts.path, facts.served, [p for p, _ in server.asked]) == ("/", True, list(PATHS))


def test_an_ipp_refusal_at_one_path_does_not_hide_the_service_at_another() -> None:
    facts, _ = printer(lambda path, body: ok(told(body, status=0 if path == "/ipp" else 0x0406)))
    assert (facts.path, facts.served) == ("/ipp", True)
    facts, server = printer(lambda path, body: ok(told(body, status=0x0406)))
    assert (facts.path, facts.status, len(server.asked)) == ("/ipp/print", 0x0406, 3)


def test_404_everywhere_is_no_ipp() -> None:
    facts, server = printer(lambda path, body: ok(b"", "text/html", "404 Not Found"))
    assert (facts.http_status, facts.status, facts.fault, len(server.asked)) == (404, None, "HTTP 404", 3)


def test_a_refusal_is_kept_though_other_paths_are_not_found() -> None:
    facts, _ = printer(
        lambda path, body: ok(
            b"", "text/html", "401 No" if path == "/ipp" else "404 No", 'WWW-Authenticate: Basic realm="x"'
        )
    )
    assert (facts.http_status, facts.authenticate, facts.path) == (401, ("basic",), "/ipp")


def test_ipp_in_an_http_error_is_ipp() -> None:
    """RFC 8010 section 4 has IPP in the body, and RFC 9110 section 15 a body in an error."""
    facts, _ = printer(lambda path, body: ok(told(body, status=0x0403), status="401 Unauthorized"))
    assert (facts.http_status, facts.status, facts.fault) == (401, 0x0403, None)


def test_an_echo_of_our_request_is_no_ipp() -> None:
    facts, _ = printer(lambda path, body: ok(body))
    assert (facts.http_status, facts.status, facts.fault) == (200, None, "an echo of the request")


def test_a_demand_for_credentials_outweighs_other_refusals() -> None:
    facts, _ = printer(lambda path, body: ok(b"", "text/html", "401 No" if path == "/" else "403 No"))
    assert (facts.http_status, facts.path) == (401, "/")


@pytest.mark.parametrize(
    ("answer", "fault"),
    [
        (lambda body: ok(b"<p>Hello", "text/html"), "not IPP"),
        (lambda body: ok(b"\x01\x01"), "IPP message of 2 bytes"),
        (lambda body: ok(message(request_id=echo_id(body) ^ 1)), "IPP answer to another request"),
        (
            lambda body: ok(message(bytes([4]) + b"\x44\xff\xff", request_id=echo_id(body))),
            "IPP message that ends in a value",
        ),
    ],
    ids=["a page", "cut", "another request", "a length that lies"],
)
def test_what_is_no_answer_is_a_fault(answer: Callable[[bytes], bytes], fault: str) -> None:
    facts, _ = printer(lambda path, body: answer(body))
    assert (facts.http_status, facts.status, facts.fault) == (200, None, fault)


@given(st.binary(max_size=200))
def test_whatever_the_body_is_the_facts_hold(body: bytes) -> None:
    from hardenprobe.model.transcript import Recorder
    from hardenprobe.probes.web.http import HttpResponse

    got = HttpResponse(
        recorder=Recorder(), status=200, headers=(("Content-Type", "application/ipp"),), body=body
    )
    facts = ipp.read_printer(
        got, ipp.encode_request(ipp.Operation.GET_JOBS, 1, "ipp://x/", []), tls=False, path="/", assigned=True
    )
    assert (facts.status is None) == (facts.fault is not None)


def test_a_server_that_hangs_up_is_asked_once() -> None:
    connections = 0

    async def hang_up(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal connections
        connections += 1
        writer.close()

    seen = ask(hang_up, lambda line: ipp.ask_printer(line, 631, PATHS, None, assigned=True))
    assert (seen.facts.http_status, seen.facts.fault, connections) == (None, "closed", 1)


def test_names_of_jobs_and_users_are_counted_and_nowhere_kept() -> None:
    def answer(path: str, body: bytes) -> bytes:
        jobs = [
            encode_group(
                Group.JOB,
                [(Tag.NAME, "job-name", ["Dismissal"]), (Tag.NAME, "job-originating-user-name", [user])],
            )
            for user in ("m.quay", "anonymous", "")
        ]
        return ok(message(*jobs, request_id=echo_id(body)))

    server = Printer(answer)
    seen = ask(server, lambda line: ipp.ask_jobs(line, 631, "/ipp/print", None, "completed"))
    assert seen.facts == IppJobs(
        tls=False, path="/ipp/print", which="completed", http_status=200, status=0, jobs=3, names=3, users=1
    )
    kept = b"".join(bytes.fromhex(e.hex) for e in seen.transcript if e.direction == "received")
    assert set(kept) == {ord("*")}
    (operation,) = decode(server.asked[0][1]).of(Group.OPERATION)
    assert (operation["limit"], operation["which-jobs"]) == ((1,), ("completed",))
    assert "requesting-user-name" not in operation


async def visit(servers: dict[int, Printer], declared: tuple[int, ...]) -> list[IppPrinter]:
    """What the probe finds of web ports, some of which the inventory declares to be IPP's."""
    async with contextlib.AsyncExitStack() as stack:
        real: dict[int, int] = {}
        for name, server in servers.items():
            listening = await stack.enter_async_context(await asyncio.start_server(server, "127.0.0.1", 0))
            real[name] = listening.sockets[0].getsockname()[1]
        words = {port: frozenset({"http"}) for port in real.values()}
        line = DeviceLink(address="127.0.0.1", permit=Scope.loopback(), timing=QUICK, may_speak=words)
        services = tuple(
            SimpleNamespace(port=real[n], protocol="ipp", transport="tcp") for n in servers if n in declared
        )
        asked = ProbeContext(
            line=line,
            plan=cast(Any, SimpleNamespace(web=WebPaths(ipp=PATHS))),
            listed=cast(Any, SimpleNamespace(services=services)),
            wanted=frozenset({IppPrinter}),
            anchors=cast(Any, None),
        )
        for port in real.values():
            asked.heard[port] = await tcp.look(line, port)
            page = HttpAnswer(tls=False, path="/", status=200)
            asked.seen.append(line.observation(page, line.endpoint(port, protocol="http", path="/")))
        await ipp.PROBE.run(asked)
        return [o.facts for o in asked.of(IppPrinter)]


def test_paths_that_a_service_publishes_are_asked_for_on_the_other_ports() -> None:
    """RFC 8011 section 5.4.1: printer-uri-supported."""
    uris = ["ipp://elsewhere.example:631/queues/7", "ipp://h/\r\nX: y", "ipp://[/"]

    def own(path: str, body: bytes) -> bytes:
        told_uris = [(Tag.URI, "printer-uri-supported", uris), *(
            (Tag.KEYWORD, name, ["none"] * len(uris))
            for name in ("uri-security-supported", "uri-authentication-supported")
        )]  # fmt: skip
        return ok(told(body, *told_uris))

    def queue(path: str, body: bytes) -> bytes:
        return ok(told(body)) if path == "/queues/7" else ok(b"", "text/html", "404 Not Found")

    web, printing = Printer(queue), Printer(own)
    found = asyncio.run(visit({1: web, 2: printing}, declared=(2,)))

    assert [(f.assigned, f.path, f.served) for f in found] == [
        (True, "/ipp/print", True),
        (False, "/queues/7", True),
    ]
    assert [path for path, _ in web.asked] == ["/ipp/print", "/", "/queues/7"]
