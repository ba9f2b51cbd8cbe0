"""Mail and directory servers that take passwords in clear, and others: aiosmtpd and OpenLDAP's slapd."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.model import Review

pytestmark = [pytest.mark.peer, pytest.mark.slow]

CHECK = "mail-directory-login-in-clear"
# Whoever signs in is turned away; what counts is whether AUTH is offered before TLS.
SERVE = """
import ssl, sys, time
from aiosmtpd.controller import Controller
from aiosmtpd.handlers import Sink
from aiosmtpd.smtp import AuthResult

host, port, pem, kind = sys.argv[1:]
context = None
if kind != "clear":
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(pem)
controller = Controller(
    Sink(), hostname=host, port=int(port), tls_context=context, auth_require_tls=kind == "first TLS",
    authenticator=lambda *_: AuthResult(success=False),
)
controller.start()
time.sleep(600)
"""


@pytest.fixture(scope="module")
def servers(
    address: Callable[[], str],
    folder: Callable[[str], Path],
    program: Callable[[str, str], str],
    start: Callable[..., None],
    certificate: Callable[..., Any],
    port_offset: int,
) -> dict[str, str]:
    """Servers by how they are set."""
    pem, found = certificate("127.78.0.3").file, {}
    for kind in ("clear", "TLS or clear", "first TLS"):
        host = found[kind] = address()
        command = (sys.executable, "-W", "ignore", "-c", SERVE, host, str(25 + port_offset), pem, kind)
        start(command, folder("mail"), accepts=(host, 25))
    for kind, lines in {
        "directory": (),
        "directory with TLS": (f"TLSCertificateFile {pem}", f"TLSCertificateKeyFile {pem}"),
    }.items():
        host = found[kind] = address()
        where = folder("directory")
        settings = (f"pidfile {where / 'pid'}", *lines, "database ldif", 'suffix ""', f"directory {where}")
        (where / "slapd.conf").write_text("\n".join(settings) + "\n")
        command = (program("slapd", "slapd"), "-f", where / "slapd.conf", "-h", f"ldap://{host}:{389 + port_offset}",
                   "-d", "0")  # fmt: skip
        start(command, where, accepts=(host, 389))
    return found


@pytest.fixture(scope="module")
def review(servers: dict[str, str], scan: Callable[..., Review]) -> Review:
    return scan(*servers.values())


@pytest.mark.parametrize(
    ("kind", "place", "subject", "word"),
    [
        ("clear", "tcp/25", "mail", "fail"),
        ("TLS or clear", "tcp/25", "mail", "fail"),
        ("first TLS", "tcp/25", "mail", "pass"),
        ("directory", "tcp/389", "directory", "fail"),
        ("directory with TLS", "tcp/389", "directory", "informational"),
    ],
)
def test_a_server_is_judged_by_what_it_offers_before_tls(
    kind: str, place: str, subject: str, word: str, servers: dict[str, str], review: Review, said: Any
) -> None:
    assert said(review, servers[kind], CHECK) == {(place, subject, word)}
