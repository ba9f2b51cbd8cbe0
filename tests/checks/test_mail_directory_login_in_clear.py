"""mail-directory-login-in-clear: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.mail_directory_login_in_clear import CHECK
from hardenprobe.facts import MailServer, TlsPort
from hardenprobe.model import State
from hardenprobe.testing import at, seen_device, tcp_port

REFUSED = "LDAP: StartTLS refused: 3000"


def mail(*extensions: str, mechanisms: tuple[str, ...] = (), **changes: Any) -> Any:
    return at(
        25, MailServer(**{"greeted": True, "extensions": extensions, "mechanisms": mechanisms, **changes})
    )


def directory(**changes: Any) -> Any:
    return at(389, TlsPort(reached="ldap", **changes))


@pytest.mark.parametrize(
    ("observations", "told"),
    [
        pytest.param([mail("AUTH", mechanisms=("PLAIN",))], ["fail mail"], id="AUTH without STARTTLS"),
        pytest.param(
            [mail("AUTH", "STARTTLS", mechanisms=("LOGIN",))], ["fail mail"], id="AUTH before STARTTLS"
        ),
        pytest.param(
            [mail("AUTH", mechanisms=("OAUTHBEARER",))], ["fail mail"], id="a bearer token, RFC 7628"
        ),
        pytest.param([mail("AUTH", mechanisms=("CRAM-MD5",))], ["pass mail"], id="no password in clear"),
        pytest.param([mail("STARTTLS")], ["pass mail"], id="STARTTLS first"),
        pytest.param([mail("SIZE")], ["pass mail"], id="no AUTH"),
        pytest.param([mail(greeted=False, fault="silent")], ["unknown mail"], id="silent"),
        pytest.param(
            [directory(speaks=False, fault="no upgrade", answer=REFUSED)],
            ["fail directory"],
            id="no StartTLS",
        ),
        pytest.param([directory(speaks=True)], ["informational directory"], id="StartTLS"),
        pytest.param(
            [directory(speaks=False, fault="silent")], ["unknown directory"], id="a silent directory"
        ),
        pytest.param(
            [directory(speaks=False, fault="no upgrade", answer="LDAP: no answer to StartTLS")],
            ["unknown directory"],
            id="no answer in LDAP",
        ),
        pytest.param(
            [mail("SIZE"), directory(speaks=True)], ["pass mail", "informational directory"], id="both"
        ),
        pytest.param([tcp_port(25, State.REFUSING), tcp_port(389, State.REFUSING)], ["pass -"], id="neither"),
        pytest.param([tcp_port(25)], ["unknown -"], id="not recognised"),
    ],
)
def test_branch(observations: list[Any], told: list[str]) -> None:
    outcomes = CHECK.judge(seen_device(*observations), NoSettings())
    assert [f"{o.word} {o.subject or '-'}" for o in outcomes] == told
