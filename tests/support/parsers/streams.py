"""Parsers of greetings, web pages and print services."""

from __future__ import annotations

from hardenprobe.probes import packets, tcp
from hardenprobe.probes.files import ftp, ftp_anonymous, smb
from hardenprobe.probes.printing import ipp, ipp_codec
from hardenprobe.probes.remote import rfb, telnet
from hardenprobe.probes.web import cookies, http, page, pages
from hardenprobe.scope.web_paths import SettingsPage
from support.parsers.registry import NUMBER, host, over, parser
from support.scripted_line import Fed, finish

# ---- greetings and small protocols over TCP


@parser(
    "greeting",
    "tcp",
    "remote.telnet",
    seeds=lambda: (b"\xff\xfb\x01\xff\xfb\x03\r\nlogin: ", b"220 ready\r\n", b"RFB 003.008\n"),
)
def _greeting(data: bytes) -> None:
    tcp.recognise(data)
    telnet.read(data)


_FTP = (b"220 ready\r\n331 password\r\n230 in\r\n", b"220-a\r\n220 b\r\n530 no\r\n")
parser("ftp", "files.ftp", seeds=lambda: _FTP)(over(21, "ftp", lambda line: ftp.ask_user(line, 21)))
parser("ftp-anonymous", "files.ftp_anonymous", seeds=lambda: _FTP)(
    over(21, "ftp", lambda line: ftp_anonymous.sign_in(line, 21, "network@port.example"))
)
parser(
    "rfb",
    "remote.rfb",
    seeds=lambda: (b"RFB 003.008\n\x02\x01\x02", b"RFB 003.003\n\0\0\0\1", b"RFB 003.008\n\0\0\0\0\4full"),
)(over(5900, "rfb", lambda line: rfb.security(line, 5900)))


def _smb_seeds() -> tuple[bytes, ...]:
    from hardenprobe.demo_lab.service_odd import _smb1_answer, _smb2_answer

    answers = (
        _smb1_answer(packets.encode_smb1()[4:], True, "enabled"),
        _smb2_answer(packets.encode_smb2(bytes(32))[4:], "required"),
    )
    return tuple(len(one).to_bytes(4) + one for one in answers)


@parser("smb", "files.smb", "packets", seeds=_smb_seeds)
def _smb(data: bytes) -> None:
    for version, decode in (("1", packets.decode_smb1), ("2", packets.decode_smb2)):
        finish(smb.negotiate(Fed(data, 445, "smb"), version, b"?", decode))


# ---- web and print

_PAGE = b"HTTP/1.1 200 OK\r\nContent-Length: 22\r\nSet-Cookie: sid=1\r\n\r\n<title>T</title><form>"


@parser(
    "http",
    "web.http",
    "web.cookies",
    "web.page",
    seeds=lambda: (
        _PAGE,
        b"HTTP/1.1 302 Found\r\nLocation: /\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
    ),
)
def _http(data: bytes) -> None:
    facts = finish(http.get(Fed(data, 80, "http"), 80)).facts
    assert (facts.body_length or 0) <= http.BODY_LIMIT
    page.look_at(data)
    cookies.star_cookies(data)
    cookies.session_cookies([data.decode("latin-1")])


@parser("web", "web.pages", seeds=lambda: (_PAGE,))
def _web(data: bytes) -> None:
    page = SettingsPage(path="/settings", marker="<h1>Settings</h1>")
    finish(pages.ask_settings_page(Fed(data, 80, "http"), 80, page, None))
    finish(pages.ask_scan_service(Fed(data, 80, "http"), 80, "/eSCL/ScannerCapabilities", None))


def _ipp_seeds() -> tuple[bytes, ...]:
    from hardenprobe.demo_lab.service_ipp import Ipp

    ask = ipp_codec.Operation
    return tuple(
        Ipp(jobs="named").answer(ipp_codec.encode_request(one, NUMBER, "ipp://127.0.9.9/ipp/print"), host())
        for one in (ask.GET_PRINTER_ATTRIBUTES, ask.GET_JOBS)
    )


@parser("ipp", "printing.ipp_codec", "printing.ipp", seeds=_ipp_seeds)
def _ipp(data: bytes) -> None:
    head = b"HTTP/1.1 200 OK\r\nContent-Type: application/ipp\r\nContent-Length: %d\r\n\r\n" % len(data)
    got = finish(http.fetch(Fed(head + data, 631, "http"), 631, "/ipp/print"))
    asked = ipp_codec.encode_request(ipp_codec.Operation.GET_PRINTER_ATTRIBUTES, NUMBER, "ipp://127.0.9.9/")
    facts = ipp.read_printer(got, asked, tls=False, path="/ipp/print", assigned=True)
    assert len(facts.uris) <= ipp.MOST_URIS
    finish(ipp.ask_jobs(Fed(head + data, 631, "http"), 631, "/ipp/print", None, "completed"))
    ipp_codec.decode(data)
