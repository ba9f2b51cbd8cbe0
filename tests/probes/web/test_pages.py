"""Pages that a baseline names, cookies, and one anonymous sign-in, against servers of the test's own."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.facts import ControlPageAnswer, Cookie, FtpAnonymous, ScanServiceAnswer, SettingsPageAnswer
from hardenprobe.model import Observation
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.files import ftp_anonymous
from hardenprobe.probes.web import http, pages
from hardenprobe.probes.web.cookies import session_cookies, star_cookies
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.scope import Scope
from hardenprobe.scope.web_paths import SettingsPage

QUICK = Timing(connect=0.5, greeting=0.1, reply=0.3, pause=0.0)
Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


def ask(
    handler: Handler, port: int, question: Callable[[DeviceLink], Awaitable[Observation[Any]]]
) -> Observation[Any]:
    async def run() -> Observation[Any]:
        server = await asyncio.start_server(handler, "127.0.0.1", 0)
        async with server:
            real = server.sockets[0].getsockname()[1]
            line = DeviceLink(
                address="127.0.0.1", permit=Scope.loopback(), timing=QUICK, port_offset=real - port
            )
            return await question(line)

    return asyncio.run(run())


def page(body: bytes, *headers: str, status: str = "200 OK") -> Handler:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            await reader.readuntil(b"\r\n\r\n")
            head = [f"HTTP/1.1 {status}", *headers, f"Content-Length: {len(body)}"]
            writer.write("\r\n".join(head).encode() + b"\r\n\r\n" + body)
            await writer.drain()
        writer.close()

    return serve


PAGE = SettingsPage(path="/settings", marker="<h1>Größe</h1>")


def test_a_settings_page_is_looked_at_for_its_marker() -> None:
    body = "<title>x</title><h1>Größe</h1><input type=password>".encode()
    seen = ask(page(body), 80, lambda line: pages.ask_settings_page(line, 80, PAGE, None))
    assert seen.facts == SettingsPageAnswer(
        tls=False, path="/settings", marker=PAGE.marker, status=200, marker_found=True, password_field=True
    )
    assert seen.endpoint and (seen.endpoint.path, seen.endpoint.protocol) == ("/settings", "http")


def test_the_control_tells_which_markers_are_everywhere() -> None:
    body = "<h1>Größe</h1><input type=password>".encode()
    other = SettingsPage(path="/other", marker="<h1>Other</h1>")
    seen = ask(page(body), 80, lambda line: pages.ask_control_page(line, 80, (PAGE, other), None))
    assert isinstance(seen.facts, ControlPageAnswer)
    assert (seen.facts.status, seen.facts.markers, seen.facts.password_field) == (200, (PAGE.marker,), True)
    again = ask(page(body), 80, lambda line: pages.ask_control_page(line, 80, (PAGE,), None))
    assert seen.facts.path != again.facts.path and len(seen.facts.path) > 16


@pytest.mark.parametrize(
    ("root", "path"),
    [
        ("eSCL", "/eSCL/ScannerCapabilities"),
        ("/panel/scan/", "/panel/scan/ScannerCapabilities"),
        ("", "/ScannerCapabilities"),
        ("a/../b", None),
        ("a b", None),
        ("a?b", None),
        ("a#b", None),
        ("a\r\nb", None),
        ("//other.example", None),
        ("http://other.example/", None),
        ("\u00e9", None),
        ("x" * 200, None),
    ],
)
def test_only_a_plain_path_of_a_record_is_asked_for(root: str, path: str | None) -> None:
    assert pages.capabilities_path(root) == path


def test_a_marker_in_another_case_is_none() -> None:
    seen = ask(page(b"<h1>GR"), 80, lambda line: pages.ask_settings_page(line, 80, PAGE, None))
    assert not seen.facts.marker_found


@pytest.mark.parametrize(
    ("body", "status", "capabilities"),
    [
        (b'<?xml version="1.0"?><scan:ScannerCapabilities xmlns:scan="x">', "200 OK", True),
        (b"<ScannerCapabilities>", "200 OK", True),
        (b"<h1>ScannerCapabilities</h1>", "200 OK", False),
        (b"<scan:ScannerCapabilitiesOther>", "200 OK", False),
        (b"<scan:ScannerCapabilities>", "404 Not Found", False),
        (b"", "200 OK", False),
    ],
)
def test_a_scan_service_is_told_by_its_document(body: bytes, status: str, capabilities: bool) -> None:
    seen = ask(page(body, status=status), 80, lambda line: pages.ask_scan_service(line, 80, "/scan", None))
    assert isinstance(seen.facts, ScanServiceAnswer)
    assert seen.facts.capabilities is capabilities


def test_a_cookie_leaves_its_name_and_flags_and_no_value() -> None:
    server = page(b"", "Set-Cookie: SESSIONID=topsecretvalue; HttpOnly", "Set-Cookie: lang=en")
    seen = ask(server, 80, lambda line: http.get(line, 80))
    assert seen.facts.cookies == (Cookie(name="SESSIONID", secure=False, http_only=True),)
    kept = b"".join(bytes.fromhex(e.hex) for e in seen.transcript)
    assert b"topsecret" not in kept
    assert b"SESSIONID=**************; HttpOnly" in kept


@given(st.lists(st.text(max_size=40), max_size=4))
def test_no_cookie_makes_it_break(headers: list[str]) -> None:
    assert len(session_cookies(headers)) <= len(headers)


@given(st.binary(max_size=80) | st.binary(max_size=40).map(lambda b: b"Set-Cookie: a=" + b))
def test_starring_keeps_every_length(data: bytes) -> None:
    assert len(star_cookies(data)) == len(data)


# ---- anonymous FTP


class Ftp:
    """Answers verbs with the given replies."""

    def __init__(self, greeting: bytes = b"220 ready\r\n", **replies: bytes) -> None:
        self.greeting, self.replies = greeting, replies

    async def __call__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(self.greeting)
        with contextlib.suppress(ConnectionError):
            while line := await reader.readline():
                if reply := self.replies.get(line[:4].decode().strip()):
                    writer.write(reply)
        writer.close()


def sign_in(server: Ftp) -> tuple[FtpAnonymous, bytes]:
    """The facts, and all that was said."""
    seen = ask(server, 21, lambda line: ftp_anonymous.sign_in(line, 21, "net@port.example"))
    assert isinstance(seen.facts, FtpAnonymous)
    return seen.facts, b"".join(bytes.fromhex(e.hex) for e in seen.transcript if e.direction == "sent")


def test_the_contact_is_the_password_and_nothing_else_is_said() -> None:
    facts, said = sign_in(Ftp(USER=b"331 go on\r\n", PASS=b"230-welcome\r\n230 guest\r\n"))
    assert facts == FtpAnonymous(asked=True, user_code=331, pass_code=230, text="230-welcome\r\n230 guest")
    assert said == b"USER anonymous\r\nPASS net@port.example\r\nQUIT\r\n"


@pytest.mark.parametrize(
    ("server", "codes", "told"),
    [
        (Ftp(USER=b"230 in\r\n"), (230, None), b"USER anonymous\r\nQUIT\r\n"),
        (Ftp(USER=b"530 no\r\n"), (530, None), b"USER anonymous\r\nQUIT\r\n"),
        (Ftp(USER=b"332 account\r\n"), (332, None), b"USER anonymous\r\nQUIT\r\n"),
        (Ftp(b"421 busy\r\n"), (None, None), b""),
        (Ftp(b"nonsense\r\n"), (None, None), b""),
    ],
    ids=["no password", "refused", "account", "busy", "nonsense"],
)
def test_a_password_is_given_only_where_one_is_asked_for(server: Ftp, codes: Any, told: bytes) -> None:
    facts, said = sign_in(server)
    assert (facts.user_code, facts.pass_code) == codes
    assert said == told


@pytest.mark.parametrize(
    ("lines", "address"),
    [
        (["Network team <net@port.example>"], "net@port.example"),
        (["ext. 12", "a.b+c@x-y.example, or the desk"], "a.b+c@x-y.example"),
        (["desk@localhost", "ext. 12", ""], None),
        ([], None),
    ],
)
def test_what_looks_like_a_mail_address(lines: list[str], address: str | None) -> None:
    assert ftp_anonymous.contact(lines) == address


@given(st.lists(st.text(max_size=60), max_size=3))
def test_no_contact_carries_a_second_command(lines: list[str]) -> None:
    found = ftp_anonymous.contact([*lines, "x@y.example\r\nDELE all"])
    assert found is not None and found.isascii() and not set(found) & set("\r\n \t")
