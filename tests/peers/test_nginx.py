"""The check of plain HTTP, and the check of allow-lists, against nginx."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

from hardenprobe.devices import inventory
from hardenprobe.model import Review

pytestmark = [pytest.mark.peer, pytest.mark.slow]

ADMITTED, ANOTHER = "127.0.0.9", "127.0.0.1"


@pytest.fixture(scope="module")
def servers(nginx: Callable[..., dict[str, str]]) -> dict[str, str]:
    """Servers by how they are set."""
    return nginx(
        page="",
        to_https="return 301 https://$host/;",
        to_https_by_307="return 307 https://$host/start;",
        to_http="return 302 http://$host/start;",
        one_source=f"allow {ADMITTED}; deny all;",
        password="auth_basic Settings; auth_basic_user_file {folder}/passwords;",
        nothing_there="return 404;",
        hangs_up="return 444;",
    )


@pytest.fixture(scope="module")
def listed(servers: dict[str, str], folder: Callable[[str], Path]) -> inventory.Inventory:
    """Two devices are declared to admit one source; one of them does."""
    lists = [{"services": ["http"], "entries": [ADMITTED]}]
    devices = [
        {"asset_tag": name, "addresses": [servers[name]], "allow_lists": lists}
        for name in ("page", "one_source")
    ]
    file = folder("inventory") / "inventory.yaml"
    file.write_text(yaml.safe_dump({"inventory": inventory.FORMAT, "devices": devices}))
    return inventory.load(file)


@pytest.fixture(scope="module")
def review(servers: dict[str, str], listed: inventory.Inventory, scan: Callable[..., Review]) -> Review:
    return scan(*servers.values(), sources=(ANOTHER, ADMITTED), inventory=listed)


@pytest.mark.parametrize(
    ("server", "expected"),
    [
        ("page", "fail"),
        ("to_https", "pass"),
        ("to_https_by_307", "pass"),
        ("to_http", "fail"),
        ("one_source", "pass"),
        ("password", "fail"),
        ("nothing_there", "unknown, inconclusive"),
        ("hangs_up", "unknown, dropped"),
    ],
)
def test_a_server_is_judged_by_its_answer(
    server: str, expected: str, servers: Any, review: Review, said: Any
) -> None:
    found = said(review, servers[server], "cleartext-http-management", ANOTHER)

    assert found == {("tcp/80", None, expected)}


def test_a_server_that_forbids_one_source_serves_the_other(servers: Any, review: Review, said: Any) -> None:
    found = said(review, servers["one_source"], "cleartext-http-management", ADMITTED)

    assert found == {("tcp/80", None, "fail")}


def test_a_list_that_the_server_applies_passes_and_one_that_it_does_not_fails(
    servers: Any, review: Review, said: Any
) -> None:
    assert said(review, servers["one_source"], "allow-list-not-enforced", ANOTHER) == {
        ("tcp/80", None, "pass")
    }
    assert said(review, servers["page"], "allow-list-not-enforced", ANOTHER) == {("tcp/80", None, "fail")}
    for name in ("one_source", "page"):
        found = said(review, servers[name], "allow-list-not-enforced", ADMITTED)
        assert found == {(None, None, "notapplicable")}


def test_a_web_server_is_expected_and_is_no_other_service(servers: Any, review: Review, said: Any) -> None:
    for name in ("page", "to_https", "one_source", "password"):
        for check in ("unexpected-service", "cleartext-telnet", "cleartext-ftp", "cleartext-print-raw"):
            assert said(review, servers[name], check, ANOTHER) == {(None, None, "pass")}
