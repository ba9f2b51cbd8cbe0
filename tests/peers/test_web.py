"""The web checks against nginx, and anonymous FTP against vsftpd."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.ftp_anonymous import CHECK as FTP_ANONYMOUS
from hardenprobe.devices import inventory
from hardenprobe.model import Review
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.files import ftp_anonymous
from hardenprobe.scope.scope import Scope
from hardenprobe.testing import seen_device

pytestmark = [pytest.mark.peer, pytest.mark.slow]

NAMED = ("strict", "strict_off", "lax", "home")
SETTINGS = 'location = /settings { default_type text/html; return 200 "<h1>Settings</h1>%s"; }'
SCANNER = (
    "location = /eSCL/ScannerCapabilities "
    '{ default_type text/xml; return 200 "<scan:ScannerCapabilities xmlns:scan=\\"x\\"/>"; }'
)


@pytest.fixture(scope="module")
def authority(certificate: Callable[..., Any]) -> Any:
    return certificate("Peer Authority", authority=True)


@pytest.fixture(scope="module")
def servers(
    nginx: Callable[..., dict[str, str]], certificate: Callable[..., Any], authority: Any, port_offset: int
) -> dict[str, str]:
    """Servers by how they are set."""
    file = certificate("*.devices.example", issuer=authority).file
    tls = f"listen {{host}}:{443 + port_offset} ssl; ssl_certificate {file}; ssl_certificate_key {file};"
    return nginx(
        strict=tls + 'add_header Strict-Transport-Security "max-age=31536000; includeSubDomains";'
        'add_header Set-Cookie "sid=0123456789abcdef; Path=/; Secure; HttpOnly";',
        strict_off=tls + 'add_header Strict-Transport-Security "max-age=0";',
        lax=tls + 'add_header Set-Cookie "sid=0123456789abcdef; Path=/";',
        home="return 301 https://home.devices.example/;",
        away="return 301 https://console.portal.example/;",
        password="auth_basic Settings; auth_basic_user_file {folder}/passwords;",
        opened=SETTINGS % "" + SCANNER,
        guarded=SETTINGS % "<input type=password>",
    )


@pytest.fixture(scope="module")
def review(
    servers: dict[str, str], authority: Any, folder: Callable[[str], Path], scan: Callable[..., Review]
) -> Review:
    devices = [
        {
            "asset_tag": name,
            "addresses": [servers[name]],
            "names": [f"{name.replace('_', '-')}.devices.example"],
        }
        for name in NAMED
    ]
    file = folder("inventory") / "inventory.yaml"
    file.write_text(yaml.safe_dump({"inventory": inventory.FORMAT, "devices": devices}))
    return scan(*servers.values(), anchors=[authority.file], inventory=inventory.load(file))


@pytest.mark.parametrize(
    ("server", "check", "expected"),
    [
        ("strict", "http-strict-transport", {("tcp/443", None, "pass")}),
        ("strict_off", "http-strict-transport", {("tcp/443", None, "fail")}),
        ("lax", "http-strict-transport", {("tcp/443", None, "fail")}),
        ("home", "http-strict-transport", {(None, None, "notapplicable")}),
        ("strict", "http-cookie-flags", {("tcp/80", None, "pass"), ("tcp/443", None, "pass")}),
        ("lax", "http-cookie-flags", {("tcp/80", None, "fail"), ("tcp/443", None, "fail")}),
        ("home", "http-redirect-leaves-device", {("tcp/80", None, "pass")}),
        ("away", "http-redirect-leaves-device", {("tcp/80", None, "informational")}),
        ("strict", "http-redirect-leaves-device", {(None, None, "notapplicable")}),
        ("password", "basic-auth-in-clear", {("tcp/80", None, "fail")}),
        ("opened", "basic-auth-in-clear", {("tcp/80", None, "pass")}),
        ("password", "settings-page-open", {("tcp/80", None, "pass")}),
        ("opened", "settings-page-open", {("tcp/80", None, "fail")}),
        ("guarded", "settings-page-open", {("tcp/80", None, "unknown, inconclusive")}),
        ("guarded", "login-form-in-clear", {("tcp/80", None, "fail")}),
        ("opened", "login-form-in-clear", {("tcp/80", None, "pass")}),
        ("opened", "scan-service-open", {("tcp/80", None, "fail")}),
        ("password", "scan-service-open", {("tcp/80", None, "pass")}),
        ("guarded", "scan-service-open", {("tcp/80", None, "unknown, inconclusive")}),
        ("password", "management-encryption-missing", {(None, None, "fail")}),
        ("lax", "management-encryption-missing", {(None, None, "pass")}),
        ("opened", "cleartext-ipp", {(None, None, "pass")}),
        ("opened", "ipp-no-authentication", {(None, None, "notapplicable")}),
    ],
)
def test_a_server_is_judged_by_its_answer(
    server: str, check: str, expected: set[Any], servers: Any, review: Review, said: Any
) -> None:
    assert said(review, servers[server], check) == expected


@pytest.mark.parametrize(("enabled", "word"), [("YES", "fail"), ("NO", "pass")])
def test_an_ftp_server_lets_anonymous_in_or_not(
    enabled: str, word: str, vsftpd: Callable[..., str], port_offset: int
) -> None:
    host = vsftpd(f"anonymous_enable={enabled}", "ftp_username=daemon", "anon_root=/usr/share/doc")
    line = DeviceLink(address=host, permit=Scope.loopback(), port_offset=port_offset)
    seen = asyncio.run(ftp_anonymous.sign_in(line, 21, "net@port.example"))
    (outcome,) = FTP_ANONYMOUS.judge(seen_device(seen), NoSettings())
    assert outcome.word == word, seen.facts
