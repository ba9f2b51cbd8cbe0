"""Where settings hide behind a first page, against nginx: what is asked for, and what the checks make of it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from hardenprobe.model import Review

pytestmark = [pytest.mark.peer, pytest.mark.slow]

HTML = 'return 200 "%s";'
TO_HTTPS = "return 301 https://$host$request_uri;"
CLEAR, HTTPS, REDIRECT = (
    "cleartext-http-management",
    "management-encryption-missing",
    "http-redirect-leaves-device",
)


def page(path: str, body: str) -> str:
    return f"location = {path} {{ {HTML % body} }}\n"


@pytest.fixture(scope="module")
def servers(
    nginx: Callable[..., dict[str, str]], certificate: Callable[..., Any], port_offset: int
) -> dict[str, str]:
    file = certificate("127.0.0.1").file
    keys = f"ssl_certificate {file}; ssl_certificate_key {file};\n"
    tls = f"listen {{host}}:{443 + port_offset} ssl; {keys}"
    blocks = {
        "hidden_basic": page("/", "<a href=/admin>Settings</a>")
        + "location /admin { auth_basic x; auth_basic_user_file {folder}/passwords; }",
        "hidden_form": page("/", "<frameset><frame src=/menu></frameset>")
        + page("/menu", "<input type=password>"),
        "acting": page("/", "<a href=/reboot>Restart</a>") + page("/reboot", "<input type=password>"),
        "chain_in_clear": "location = / { return 302 /start; }\n" + page("/start", "<input type=password>"),
        "chain_to_https": "location = / { return 302 /start; }\nlocation = /start { " + TO_HTTPS + " }\n",
        "half_redirect": tls
        + "location = / { if ($scheme = http) { return 301 https://$host/; } "
        + HTML % "<a href=/network>Network</a>"
        + " }\n"
        + page("/network", "<h1>Network</h1>"),
        "whole_redirect": tls
        + "if ($scheme = http) { return 301 https://$host$request_uri; }\n"
        + page("/", "<a href=/network>Network</a>")
        + page("/network", "<h1>Network</h1>"),
        "weak_redirect": tls
        + "location = / { if ($scheme = https) { "
        + HTML % "<input type=password>"
        + " }\n"
        + HTML % "<meta http-equiv=refresh content='0; url=https://{host}/'>"
        + " }\n",
        "back_to_clear": tls
        + "location = / { if ($scheme = https) { return 302 http://$host/start; } "
        + HTML % "Ready"
        + " }\n",
        "busy": "return 503;",
        "too_many": "return 429;",
        "clear_on_443": f"listen {{host}}:{443 + port_offset};\n" + page("/", "<input type=password>"),
        "settings_on_631": f"listen {{host}}:{631 + port_offset};\n"
        + f"location = / {{ if ($server_port = {80 + port_offset}) {{ return 403; }}\n"
        + HTML % "<form><input name=host></form>"
        + " }\n",
    }
    return nginx(**{name: f"default_type text/html;\n{block}" for name, block in blocks.items()})


@pytest.fixture(scope="module")
def review(servers: dict[str, str], scan: Callable[..., Review]) -> Review:
    return scan(*servers.values())


@pytest.mark.parametrize(
    ("server", "check", "expected"),
    [
        ("hidden_basic", "basic-auth-in-clear", {("tcp/80", None, "fail")}),
        ("hidden_form", "login-form-in-clear", {("tcp/80", None, "fail")}),
        ("acting", "login-form-in-clear", {("tcp/80", None, "pass")}),
        ("chain_in_clear", "login-form-in-clear", {("tcp/80", None, "fail")}),
        ("chain_in_clear", CLEAR, {("tcp/80", None, "fail")}),
        ("chain_to_https", CLEAR, {("tcp/80", None, "pass")}),
        ("half_redirect", CLEAR, {("tcp/80", None, "pass"), ("tcp/80", None, "fail")}),
        ("whole_redirect", CLEAR, {("tcp/80", None, "pass")}),
        ("weak_redirect", CLEAR, {("tcp/80", None, "informational")}),
        ("weak_redirect", HTTPS, {(None, None, "pass")}),
        ("back_to_clear", REDIRECT, {("tcp/443", None, "fail")}),
        ("busy", CLEAR, {("tcp/80", None, "unknown, inconclusive")}),
        ("too_many", CLEAR, {("tcp/80", None, "unknown, inconclusive")}),
        ("clear_on_443", "login-form-in-clear", {("tcp/80", None, "fail"), ("tcp/443", None, "fail")}),
        ("clear_on_443", HTTPS, {(None, None, "fail")}),
        ("settings_on_631", CLEAR, {("tcp/80", None, "pass"), ("tcp/631", None, "fail")}),
    ],
)
def test_a_server_is_judged_by_where_it_leads(
    server: str, check: str, expected: Any, servers: Any, review: Review, said: Any
) -> None:
    assert said(review, servers[server], check) == expected
