"""The FTP check, against a widespread FTP daemon."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from hardenprobe.model import Review

pytestmark = [pytest.mark.peer, pytest.mark.slow]


@pytest.fixture(scope="module")
def daemons(vsftpd: Callable[..., str], certificate: Callable[..., Any], folder: Any) -> dict[str, str]:
    """Daemons by how they are set."""
    pem = certificate("127.78.0.2").file
    tls = ("ssl_enable=YES", f"rsa_cert_file={pem}", "force_local_logins_ssl=YES", "force_local_data_ssl=YES",
           "allow_anon_ssl=YES", "force_anon_logins_ssl=YES", "force_anon_data_ssl=YES")  # fmt: skip
    (users := folder("users") / "admitted").write_text("clerk\n")
    return {
        "clear": vsftpd(),
        "demands TLS": vsftpd(*tls),
        "offers TLS": vsftpd(*tls[:2], "force_local_logins_ssl=NO"),
        "knows its users": vsftpd("userlist_enable=YES", "userlist_deny=NO", f"userlist_file={users}"),
        "TLS from the start": vsftpd(*tls, "implicit_ssl=YES"),
    }


@pytest.fixture(scope="module")
def review(daemons: dict[str, str], scan: Callable[..., Review]) -> Review:
    return scan(*daemons.values())


@pytest.mark.parametrize(
    ("daemon", "expected"),
    [
        ("clear", {("tcp/21", None, "fail")}),
        ("demands TLS", {("tcp/21", None, "pass")}),
        ("offers TLS", {("tcp/21", None, "fail")}),
        # 530 without a word of TLS: of a user on its list it may well take the password in clear.
        ("knows its users", {("tcp/21", None, "unknown, inconclusive")}),
        # On port 21 nobody may speak TLS unasked, so what waits there is not recognised.
        ("TLS from the start", {(None, None, "unknown, inconclusive")}),
    ],
)
def test_a_daemon_is_judged_by_its_reply_to_a_user(
    daemon: str, expected: Any, daemons: Any, review: Review, said: Any
) -> None:
    assert said(review, daemons[daemon], "cleartext-ftp") == expected


def test_a_port_that_greets_as_ftp_is_no_telnet_and_is_not_expected(
    daemons: Any, review: Review, said: Any
) -> None:
    host = daemons["demands TLS"]

    assert said(review, host, "cleartext-telnet") == {(None, None, "pass")}
    assert said(review, host, "unexpected-service") == {("tcp/21", None, "informational")}
