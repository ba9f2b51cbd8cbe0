"""ftp-anonymous: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.ftp_anonymous import CHECK
from hardenprobe.facts import FtpAnonymous
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, tcp_port


def session(user: int | None, password: int | None = None, text: str = "", asked: bool = True) -> Any:
    facts = FtpAnonymous(asked=asked, user_code=user, pass_code=password, text=text)
    return at(21, facts, protocol="ftp")


@pytest.mark.parametrize(
    ("observation", "word", "reason"),
    [
        pytest.param(session(331, 230), Word.FAIL, None, id="let in"),
        pytest.param(session(230), Word.FAIL, None, id="let in without a password"),
        pytest.param(
            session(331, 530, "530 Login incorrect"), Word.PASS, None, id="trap: asked, then refused"
        ),
        pytest.param(session(530, text="530 No anonymous"), Word.PASS, None, id="refused at once"),
        pytest.param(
            session(530, text="530 TLS required"), Word.UNKNOWN, Reason.INCONCLUSIVE, id="wants TLS"
        ),
        pytest.param(session(331), Word.UNKNOWN, Reason.INCONCLUSIVE, id="no reply to PASS"),
        pytest.param(session(331, 332), Word.UNKNOWN, Reason.INCONCLUSIVE, id="wants an account"),
        pytest.param(session(421), Word.UNKNOWN, Reason.INCONCLUSIVE, id="busy"),
        pytest.param(session(None), Word.UNKNOWN, Reason.INCONCLUSIVE, id="nothing"),
        pytest.param(session(None, asked=False), Word.NOTCHECKED, Reason.NO_CREDENTIAL, id="no contact"),
        pytest.param(
            tcp_port(2121, speaks="ftp"), Word.UNKNOWN, Reason.INCONCLUSIVE, id="a port not to be spoken to"
        ),
        pytest.param(tcp_port(21, State.REFUSING), Word.PASS, None, id="reset"),
        pytest.param(tcp_port(21), Word.UNKNOWN, Reason.INCONCLUSIVE, id="not recognised"),
        pytest.param(tcp_port(21, State.SILENT), Word.UNKNOWN, Reason.SILENT, id="silent"),
    ],
)
def test_branch(observation: Observation[Any], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(observation), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)


def test_ports_that_greet_like_ftp_and_were_not_asked_are_named_one_by_one() -> None:
    seen = seen_device(
        session(331, 530, "530 Login incorrect"),
        *(tcp_port(port, speaks="ftp") for port in (21, 2121)),
        tcp_port(2222, speaks="ssh"),
        tcp_port(2323, State.REFUSING),
    )
    outcomes = list(CHECK.judge(seen, NoSettings()))
    assert [(o.word, o.endpoint and o.endpoint.port) for o in outcomes] == [
        (Word.PASS, 21),
        (Word.UNKNOWN, 2121),
    ]


@pytest.mark.parametrize(
    ("one", "said"),
    [(session(331, 530, "no"), "331 then 530"), (session(530, text="no"), "530"), (session(None), "nothing")],
)
def test_the_replies_are_said_in_order(one: Observation[Any], said: str) -> None:
    (outcome,) = CHECK.judge(seen_device(one), NoSettings())
    assert said in outcome.observed.text
