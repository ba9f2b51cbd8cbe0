"""Parsers of greetings, web pages and print services."""

from __future__ import annotations

from hardenprobe.model.transcript import Recorder
from hardenprobe.probes import packets, tcp
from hardenprobe.probes.files import ftp, ftp_anonymous, smb
from hardenprobe.probes.printing import ipp, ipp_codec, ipp_services
from hardenprobe.probes.remote import mail, rfb, telnet
from hardenprobe.probes.web import cookies, http, page, pages
from hardenprobe.scope.web_paths import SettingsPage
from support.parsers.registry import NUMBER, PARSERS, host, over, parser
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
parser("ftp-line", "files.ftp", seeds=lambda: _FTP)(over(21, "ftp", lambda line: ftp.ask_user(line, 21)))
parser("ftp-anonymous-line", "files.ftp_anonymous", seeds=lambda: PARSERS["ftp-line"].seeds())(
    over(21, "ftp", lambda line: ftp_anonymous.sign_in(line, 21, "network@port.example"))
)
parser(
    "rfb-line",
    "remote.rfb",
    seeds=lambda: (b"RFB 003.008\n\x02\x01\x02", b"RFB 003.003\n\0\0\0\1", b"RFB 003.008\n\0\0\0\0\4full"),
)(over(5900, "rfb", lambda line: rfb.security(line, 5900)))


_EHLO = b"220 mail.example ESMTP\r\n250-mail.example\r\n250-STARTTLS\r\n250 AUTH PLAIN LOGIN\r\n"


@parser("mail", "remote.mail", seeds=lambda: (_EHLO, b"250 a\r\n"))
def _mail(data: bytes) -> None:
    facts = finish(mail.ask_extensions(Fed(data, 25, "smtp"), 25)).facts
    assert len(facts.extensions) <= mail.MOST and len(facts.mechanisms) <= mail.MOST
    mail.read(data)


def _smb_seeds() -> tuple[bytes, ...]:
    from hardenprobe.demo_lab.service_odd import _smb1_answer, _smb2_answer

    answers = (
        _smb1_answer(packets.encode_smb1()[4:], True, "enabled"),
        _smb2_answer(packets.encode_smb2(bytes(32))[4:], "required"),
    )
    return tuple(len(one).to_bytes(4) + one for one in answers)


@parser("smb", "packets", seeds=lambda: tuple(one[4:] for one in _smb_seeds()))
def _smb(data: bytes) -> None:
    (packets.decode_smb1 if data[:1] == b"\xff" else packets.decode_smb2)(data)


@parser("smb-line", "files.smb", seeds=_smb_seeds)
def _smb_line(data: bytes) -> None:
    decode = packets.decode_smb1 if data[4:5] == b"\xff" else packets.decode_smb2
    finish(smb.negotiate(Fed(data, 445, "smb"), "?", b"?", decode))


# ---- web and print

_PAGE = b"HTTP/1.1 200 OK\r\nContent-Length: 22\r\nSet-Cookie: sid=1\r\n\r\n<title>T</title><form>"
_MOVED = b"HTTP/1.1 302 Found\r\nLocation: /\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n"
HOSTS = ("127.0.9.9", "t-1.devices.example")


def _split(data: bytes) -> http.HttpResponse:
    """An answer as it is once h11 has taken header and body apart."""
    head, _, body = data.partition(b"\r\n\r\n")
    fields = [line.partition(b":") for line in head.split(b"\r\n")[1:]]
    headers = tuple((http._text(name), http._text(value.strip())) for name, _, value in fields)
    return http.HttpResponse(recorder=Recorder(), status=200, headers=headers, body=body[: http.BODY_LIMIT])


@parser("http", "web.http", "web.cookies", "web.page", seeds=lambda: (_PAGE, _MOVED))
def _http(data: bytes) -> None:
    got = _split(data)
    facts = http.read(got, hosts=HOSTS, tls=False, path="/", method="GET", learned="")
    assert len(facts.links) <= 3 * page.MOST_PATHS
    assert len(http.star_page(data)) == len(data)
    cookies.star_cookies(data)


@parser("http-line", "web.http", seeds=lambda: PARSERS["http"].seeds())
def _http_line(data: bytes) -> None:
    facts = finish(http.get(Fed(data, 80, "http"), 80)).facts
    assert (facts.body_length or 0) <= http.BODY_LIMIT


@parser("settings-page-line", "web.pages", seeds=lambda: PARSERS["http"].seeds())
def _settings_page(data: bytes) -> None:
    wanted = SettingsPage(path="/settings", marker="<h1>Settings</h1>")
    finish(pages.ask_settings_page(Fed(data, 80, "http"), 80, wanted, None))


@parser("scan-service-line", "web.pages", seeds=lambda: PARSERS["http"].seeds())
def _scan_service(data: bytes) -> None:
    finish(pages.ask_scan_service(Fed(data, 80, "http"), 80, "/eSCL/ScannerCapabilities", None))


def _ipp_seeds() -> tuple[bytes, ...]:
    from hardenprobe.demo_lab.service_ipp import Ipp

    ask = ipp_codec.Operation
    asked = (
        (ask.GET_PRINTER_ATTRIBUTES, "print"),
        (ask.GET_JOBS, "print"),
        (ask.GET_PRINTER_ATTRIBUTES, "scan"),
    )
    lab = Ipp(jobs="named", destinations=("ftp://a.example/", "https://b.example/"))
    return tuple(
        lab.answer(
            ipp_codec.encode_request(one, NUMBER, "ipp://127.0.9.9/ipp/print"), host(), service=service
        )
        for one, service in asked
    )


_ASKED = ipp_codec.encode_request(
    ipp_codec.Operation.GET_PRINTER_ATTRIBUTES, NUMBER, "ipp://127.0.9.9/ipp/print"
)


@parser("ipp", "printing.ipp_codec", "printing.ipp", seeds=_ipp_seeds)
def _ipp(data: bytes) -> None:
    headers = (("content-type", "application/ipp"),)
    got = http.HttpResponse(recorder=Recorder(), status=200, headers=headers, body=data)
    facts = ipp.read_printer(got, _ASKED, tls=False, path="/ipp/print", assigned=True)
    assert len(facts.uris) <= ipp.MOST_URIS


@parser("ipp-jobs-line", "printing.ipp", seeds=lambda: PARSERS["ipp"].seeds())
def _ipp_jobs(data: bytes) -> None:
    head = b"HTTP/1.1 200 OK\r\nContent-Type: application/ipp\r\nContent-Length: %d\r\n\r\n" % len(data)
    finish(ipp.ask_jobs(Fed(head + data, 631, "http"), 631, "/ipp/print", None, "completed"))


@parser("ipp-services-line", "printing.ipp_services", seeds=lambda: PARSERS["ipp"].seeds())
def _ipp_services(data: bytes) -> None:
    head = b"HTTP/1.1 200 OK\r\nContent-Type: application/ipp\r\nContent-Length: %d\r\n\r\n" % len(data)
    for service in ipp_services.SERVICES:
        told = finish(ipp_services.ask_service(Fed(head + data, 631, "http"), 631, service, None)).facts
        assert len(told.destinations) <= ipp_services.MOST_SCHEMES
