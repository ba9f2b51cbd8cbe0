"""snmp-v3-below-authpriv: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.snmp_v3_below_authpriv import CHECK
from hardenprobe.facts import SnmpUser
from hardenprobe.model import Observation, Reason, Word
from hardenprobe.testing import at, seen_device


def user(
    *, auth: str | None = "SHA-256", priv: str | None = "AES-128", withheld: str | None = None, **levels: str
) -> Observation[Any]:
    facts = SnmpUser(name="reader", auth=auth, priv=priv, levels=levels, withheld=withheld)
    return at(161, facts, transport="udp", protocol="snmp")


DENIED = {"noAuthNoPriv": "denied", "authNoPriv": "denied"}
UNTOLD = [("unknown", "no-credential")]


@pytest.mark.parametrize(
    ("observations", "told"),
    [
        pytest.param([user(**DENIED, authPriv="served")], [("pass", None)], id="authPriv only"),
        pytest.param(
            [user(noAuthNoPriv="denied", authNoPriv="served", authPriv="served")],
            [("fail", 'user "reader" at authNoPriv')],
            id="authNoPriv",
        ),
        pytest.param(
            [user(noAuthNoPriv="served", authNoPriv="served", authPriv="served")],
            [("fail", 'user "reader" at noAuthNoPriv'), ("fail", 'user "reader" at authNoPriv')],
            id="both",
        ),
        pytest.param([user(noAuthNoPriv="served")], [("fail", 'user "reader" at noAuthNoPriv')], id="lowest"),
        pytest.param([user(**DENIED, authPriv="wrong-key")], UNTOLD, id="wrong key"),
        pytest.param([user(noAuthNoPriv="denied", authNoPriv="wrong-digest")], UNTOLD, id="wrong digest"),
        pytest.param([user(noAuthNoPriv="unknown-user")], UNTOLD, id="unknown user"),
        pytest.param(
            [user(noAuthNoPriv="silent", authNoPriv="denied", authPriv="served")], UNTOLD, id="silent"
        ),
        pytest.param([user(withheld="not confirmed")], UNTOLD, id="withheld"),
        pytest.param([], UNTOLD, id="no user was given"),
    ],
)
def test_branch(observations: list[Observation[Any]], told: list[tuple[str, str | None]]) -> None:
    outcomes = list(CHECK.judge(seen_device(*observations), NoSettings()))
    if told == UNTOLD:
        assert [(o.word, o.reason) for o in outcomes] == [(Word.UNKNOWN, Reason.NO_CREDENTIAL)]
    else:
        assert [(str(o.word), o.subject if o.word is Word.FAIL else None) for o in outcomes] == told
