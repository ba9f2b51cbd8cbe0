"""demo_lab: every device speaks what it declares, to real clients."""

from __future__ import annotations

import ftplib
import http.client
import socket
import ssl
import struct
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

import pytest

from hardenprobe.demo_lab import declarations
from hardenprobe.demo_lab.service_ipp import KIND, PATH

pytestmark = pytest.mark.slow  # the lab is started for it

DEVICES = declarations.load()
ASKED_TCP = sorted(
    {s.port for d in DEVICES for s in d.services if s.transport == "tcp"} | {22, 25, 9103, 50321}
)

GET_PRINTER_ATTRIBUTES = (
    struct.pack(">BBHI", 1, 1, 0x000B, 7)
    + b"\x01\x47\x00\x12attributes-charset\x00\x05utf-8"
    + b"\x48\x00\x1battributes-natural-language\x00\x02en"
    + b"\x45\x00\x0bprinter-uri\x00\x14ipp://x.example/ipp/"
    + b"\x03"
)


def get(
    lab, address, path="/", *, port=80, source="127.0.0.1", tls=None, method="GET", body=None, headers=None
):
    where = (address, port + lab.port_offset)
    if tls:
        client = http.client.HTTPSConnection(*where, timeout=5, source_address=(source, 0), context=tls)
    else:
        client = http.client.HTTPConnection(*where, timeout=5, source_address=(source, 0))
    try:
        client.request(method, path, body=body, headers=headers or {})
        answer = client.getresponse()
        return answer.status, answer.headers, answer.read()
    finally:
        client.close()


@pytest.mark.slow
def test_exactly_the_declared_tcp_ports_accept(lab, connect):
    declared = {
        (a, s.port) for d in DEVICES for a in d.listed.addresses for s in d.services if s.transport == "tcp"
    }
    accepted = set()
    for address in (a for d in DEVICES for a in d.listed.addresses):
        for port in ASKED_TCP:
            try:
                connect(address, port).close()
                accepted.add((address, port))
            except ConnectionRefusedError:
                pass

    assert accepted == declared


def test_telnet_negotiates_and_prompts_but_lets_nobody_in(exchange, connect):
    assert exchange("127.77.0.21", 23, until=b"login: ").startswith(bytes.fromhex("fffb01fffb03"))
    assert exchange("127.77.0.22", 23, until=b"login: ") == b"\r\nDevice console\r\nlogin: "
    with connect("127.77.0.25", 2323) as line:
        line.sendall(b"admin\r\nsecret\r\n")
        heard = b""
        while b"incorrect" not in heard:
            heard += line.recv(4096)


def test_the_web_server_on_23_waits_for_its_client(lab, connect):
    with connect("127.77.0.39", 23) as line:
        line.settimeout(0.2)
        with pytest.raises(TimeoutError):
            line.recv(1)

    assert get(lab, "127.77.0.39", port=23)[0] == 200


def test_clear_ftp_asks_for_the_password(lab):
    ftp = ftplib.FTP()
    ftp.connect("127.77.0.21", 21 + lab.port_offset, timeout=5)
    assert ftp.sendcmd("USER somebody").startswith("331")
    with pytest.raises(ftplib.error_perm, match="^530"):
        ftp.sendcmd("PASS secret")
    with pytest.raises(ftplib.error_perm, match="^502"):
        ftp.sendcmd("AUTH TLS")
    assert ftp.quit().startswith("221")


def test_demanding_ftp_takes_a_user_name_only_under_tls(lab):
    plain = ftplib.FTP()
    plain.connect("127.77.0.36", 21 + lab.port_offset, timeout=5)
    with pytest.raises(ftplib.error_perm, match="^530.*TLS"):
        plain.sendcmd("USER somebody")
    plain.quit()

    secure = ftplib.FTP_TLS(context=ssl.create_default_context(cafile=str(lab.ca_file)))
    secure.connect("127.77.0.36", 21 + lab.port_offset, timeout=5)
    secure.auth()
    assert secure.sendcmd("USER somebody").startswith("331")
    secure.quit()


@pytest.mark.parametrize(
    ("address", "port", "status", "holds"),
    [
        ("127.77.0.21", 80, 200, b"<h1>Settings</h1>"),
        ("127.77.0.22", 80, 200, b'type="password"'),
        ("127.77.0.23", 80, 401, b"Sign in"),
        ("127.77.0.25", 80, 200, b'http-equiv="refresh"'),
        ("127.77.0.14", 80, 403, b"Forbidden"),
        ("127.77.0.38", 8080, 200, b'type="password"'),
    ],
    ids=["page", "sign-in", "basic", "meta-refresh", "forbidden", "8080"],
)
def test_http_answers_as_declared(lab, address, port, status, holds):
    got, headers, body = get(lab, address, port=port)

    assert (got, holds in body) == (status, True)
    assert ("WWW-Authenticate" in headers) == (status == 401)


def test_redirects_lead_where_declared(lab):
    status, headers, _ = get(lab, "127.77.0.31", "/index", headers={"Host": "rp-0301.devices.example:1"})
    assert status == 301
    assert headers["Location"] == f"https://rp-0301.devices.example:{443 + lab.port_offset}/index"
    assert get(lab, "127.77.0.32")[1]["Location"] == f"https://127.77.0.32:{443 + lab.port_offset}/"
    foreign = get(lab, "127.77.0.32", headers={"Host": "elsewhere.example"})[1]["Location"]
    assert foreign.startswith("https://127.77.0.32:"), "a name that is not the device's own is not repeated"
    assert get(lab, "127.77.0.37")[1]["Location"] == "https://console.portal.example/"
    assert get(lab, "127.77.0.38")[1]["Location"] == "http://console.portal.example/"


def test_one_connection_carries_several_requests_and_head_has_no_body(lab):
    client = http.client.HTTPConnection("127.77.0.21", 80 + lab.port_offset, timeout=5)
    for method in ("GET", "HEAD", "GET"):
        client.request(method, "/")
        body = client.getresponse().read()
        assert bool(body) == (method == "GET")
    client.close()


def test_a_clock_that_runs_ahead_shows_in_the_date(lab):
    ahead = parsedate_to_datetime(get(lab, "127.77.0.45")[1]["Date"]) - datetime.now(UTC)
    right = parsedate_to_datetime(get(lab, "127.77.0.31")[1]["Date"]) - datetime.now(UTC)

    assert 5380 < ahead.total_seconds() < 5420
    assert abs(right.total_seconds()) < 20


def test_no_request_however_broken_ends_a_service(lab, exchange):
    for said in (
        b"\x00" * 100 + b"\r\n\r\n",
        b"GET\r\n\r\n",
        b"A" * 40000,
        b"GET / HTTP/1.1\r\n\r\n",
        b"\x16\x03\x01\x00\x05hello",
    ):
        assert exchange("127.77.0.21", 80, said).startswith(b"HTTP/1.1 4")
    for port in (443, 631):
        assert not exchange("127.77.0.11", port, b"GET / HTTP/1.0\r\n\r\n").startswith(b"HTTP")

    assert get(lab, "127.77.0.21")[0] == 200


def test_a_body_beyond_the_limit_is_refused(lab):
    assert get(lab, "127.77.0.21", port=631, path=PATH, method="POST", body=b"x" * 70000)[0] == 413


@pytest.mark.slow
def test_every_device_speaks_exactly_its_tls_versions(lab, connect, old_client):
    for device in DEVICES:
        tls = device.lab.tls if device.lab else None
        ports = [s.port for s in device.services if s.spoken_in != "none"]
        if (
            tls is None
            or not ports
            or any(device.refusal(s, "127.77.1.10") == "close" for s in device.services)
        ):
            continue
        for version in declarations.VERSIONS:
            try:
                with connect(device.listed.addresses[0], ports[0], "127.77.1.10") as line:
                    old_client(version).wrap_socket(line).close()
                spoken = True
            except (ssl.SSLError, ConnectionError):
                spoken = False

            assert spoken == (version in tls.versions), (device.listed.asset_tag, version)


def test_the_declared_cipher_string_holds(connect, old_client):
    with connect("127.77.0.22", 443) as line, old_client("1.0").wrap_socket(line) as secure:
        assert secure.cipher()[0] in ("AES128-SHA", "AES256-SHA")
    with connect("127.77.0.22", 443) as line, pytest.raises((ssl.SSLError, ConnectionError)):
        old_client("1.0", "ECDHE").wrap_socket(line)


@pytest.mark.parametrize(
    ("address", "name", "fault"),
    [
        ("127.77.0.13", "rp-0103.devices.example", None),
        ("127.77.0.131", "127.77.0.131", None),
        ("127.77.0.35", "rp-0305.devices.example", None),
        ("127.77.0.13", "rp-0104.devices.example", "mismatch"),
        ("127.77.0.32", "rp-0302.devices.example", "self-signed"),
        ("127.77.0.25", "rp-0205.devices.example", "expired"),
    ],
)
def test_certificates_are_what_they_are_declared_to_be(lab, connect, address, name, fault):
    context = ssl.create_default_context(cafile=str(lab.ca_file))
    with connect(address, 443) as line:
        if fault is None:
            context.wrap_socket(line, server_hostname=name).close()
        else:
            with pytest.raises(ssl.SSLCertVerificationError, match=fault):
                context.wrap_socket(line, server_hostname=name)


def test_a_named_key_is_shared(lab, connect, old_client):
    from cryptography import x509

    from hardenprobe.demo_lab.certificates import key_digest
    from hardenprobe.demo_lab.named_keys import named_key

    def key(address, source="127.77.1.10"):
        with connect(address, 443, source) as line, old_client("1.3").wrap_socket(line) as secure:
            certificate = x509.load_der_x509_certificate(secure.getpeercert(True))
            return certificate.public_key()

    assert key("127.77.0.32") == key("127.77.0.33") == key("127.77.0.34") != key("127.77.0.31")
    pinned = next(d.listed.pinned_key for d in DEVICES if d.listed.asset_tag == "RP-0104")
    assert key_digest(named_key("RP-0104")) == pinned
    assert key("127.77.0.14") == named_key("RP-0104").public_key()


@pytest.mark.parametrize(
    ("address", "encrypted"),
    [("127.77.0.21", False), ("127.77.0.24", False), ("127.77.0.24", True), ("127.77.0.35", True)],
)
def test_ipp_tells_its_attributes(lab, old_client, address, encrypted):
    status, _, body = get(
        lab, address, PATH, port=631, method="POST", body=GET_PRINTER_ATTRIBUTES,
        headers={"Content-Type": KIND}, tls=old_client("1.2") if encrypted else None,
    )  # fmt: skip

    assert status == 200
    assert body[:8] == struct.pack(">BBHI", 1, 1, 0, 7)
    for word in (
        b"uri-security-supported",
        b"uri-authentication-supported",
        b"printer-uuid",
        b"operations-supported",
    ):
        assert word in body


def test_ipp_without_tls_where_only_tls_is_spoken_is_no_http(lab):
    with pytest.raises((http.client.HTTPException, ConnectionError)):
        get(lab, "127.77.0.35", PATH, port=631, method="POST", body=b"")


def test_lpd_tells_the_queue_state_and_nothing_else(exchange):
    assert exchange("127.77.0.21", 515, b"\x03lp \n") == b"lp: ready, no entries\n"
    assert exchange("127.77.0.21", 515, b"\x02lp\n") == b""


def test_echo_sends_back_and_silent_keeps_quiet(exchange, connect):
    assert exchange("127.77.0.21", 7, b"hello", until=b"hello") == b"hello"
    with connect("127.77.0.43", 8000) as line:
        line.sendall(b"hello")
        line.settimeout(0.2)
        with pytest.raises(TimeoutError):
            line.recv(1)


def test_raw_print_counts_every_byte_and_never_answers(lab, connect):
    before = lab.counters()["raw_print_bytes"]["RP-0202"]
    for port, size in ((9100, 5), (9101, 70000), (9102, 0)):
        with connect("127.77.0.22", port) as line:
            line.sendall(b"x" * size)
            line.shutdown(socket.SHUT_WR)
            assert line.recv(1) == b""

    assert lab.counters()["raw_print_bytes"]["RP-0202"] - before == 70005


def test_enforced_lists_close_or_forbid_and_others_let_in(lab, connect, exchange, old_client):
    assert get(lab, "127.77.0.11")[0] == 403
    assert get(lab, "127.77.0.11", port=443, tls=old_client("1.3"))[0] == 403
    assert get(lab, "127.77.0.11", source="127.77.1.10")[0] == 301
    assert exchange("127.77.0.34", 80) == b""
    assert exchange("127.77.0.12", 443) == b""
    assert get(lab, "127.77.0.12", port=443, tls=old_client("1.3"), source="127.77.1.7")[0] == 200
    assert get(lab, "127.77.0.24")[0] == 200, "declared, and not enforced"
    assert exchange("127.77.0.43", 9100) == b""
    with connect("127.77.0.43", 9100, "127.77.2.3") as line:
        line.settimeout(0.2)
        with pytest.raises(TimeoutError):
            line.recv(1)
