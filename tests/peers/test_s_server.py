"""The TLS checks, against OpenSSL's test server."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from hardenprobe.facts import HttpAnswer
from hardenprobe.model import Review

pytestmark = [pytest.mark.peer, pytest.mark.slow]

OLD = ("-cipher", "ALL:@SECLEVEL=0")
MODERN = ("-no_tls1", "-no_tls1_1")


@pytest.fixture(scope="module")
def authority(certificate: Callable[..., Any]) -> Any:
    return certificate("River Port Authority (invented)", authority=True)


@pytest.fixture(scope="module")
def servers(
    address: Callable[[], str], certificate: Callable[..., Any], authority: Any, s_server: Callable[..., None]
) -> dict[str, str]:
    """Servers by how they are set; all but one show a certificate that the authority signed."""

    def run(*options: str, **issued: Any) -> str:
        host = address()
        s_server(host, certificate(host, **{"issuer": authority, **issued}).file, *options)
        return host

    return {
        "modern": run(*MODERN),
        "TLS 1.0 only": run("-tls1", *OLD),
        "all versions": run(*OLD),
        "expired": run(*MODERN, issuer=None, days=(-400, -3)),
        "ending": run(*MODERN, days=(-300, 9)),
        "page": run(*MODERN, "-www"),
    }


@pytest.fixture(scope="module")
def review(servers: dict[str, str], authority: Any, scan: Callable[..., Review]) -> Review:
    return scan(*servers.values(), anchors=[authority.file])


def fails(*subjects: str | None) -> set[tuple[str, str | None, str]]:
    return {("tcp/443", subject, "fail") for subject in subjects}


PASS = {("tcp/443", None, "pass")}


@pytest.mark.parametrize(
    ("server", "deprecated", "current", "dates", "untrusted"),
    [
        ("modern", PASS, PASS, PASS, PASS),
        ("TLS 1.0 only", fails("TLS 1.0"), fails(None), PASS, PASS),
        ("all versions", fails("TLS 1.0", "TLS 1.1"), PASS, PASS, PASS),
        ("expired", PASS, PASS, fails("expired"), fails(None)),
        ("ending", PASS, PASS, fails("ending soon"), PASS),
        ("page", PASS, PASS, PASS, PASS),
    ],
)
def test_a_server_is_judged_by_how_it_is_set(
    server: str,
    deprecated: Any,
    current: Any,
    dates: Any,
    untrusted: Any,
    servers: Any,
    review: Any,
    said: Any,
) -> None:
    host = servers[server]

    assert said(review, host, "tls-deprecated-version") == deprecated
    assert said(review, host, "tls-current-version-missing") == current
    assert said(review, host, "tls-certificate-dates") == dates
    assert said(review, host, "tls-certificate-untrusted") == untrusted


def test_a_server_that_speaks_tls_is_known_not_to_speak_in_clear(
    servers: Any, review: Review, said: Any
) -> None:
    for host in servers.values():
        for check in ("cleartext-telnet", "cleartext-ftp", "cleartext-http-management"):
            assert said(review, host, check) == {(None, None, "pass")}


def test_a_page_is_read_through_tls(servers: Any, review: Review) -> None:
    statuses = {
        seen.endpoint.address: seen.facts.status
        for device in review.observations.values()
        for seen in device
        if isinstance(seen.facts, HttpAnswer) and seen.endpoint and seen.facts.tls
    }

    assert statuses[servers["page"]] == 200
    assert statuses[servers["modern"]] is None
