"""cleartext-ftp: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.cleartext_ftp import CHECK
from hardenprobe.facts import FtpSession
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, tcp_port


def session(code: int | None, text: str = "") -> Observation[Any]:
    facts = FtpSession(
        greeting_code=220, greeting_text="220 ready", user_code=code, user_text=text, asked=True
    )
    return at(21, facts, protocol="ftp")


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([session(331, "331 go on")], Word.FAIL, None, id="331"),
        pytest.param([session(332)], Word.FAIL, None, id="332"),
        pytest.param([session(230)], Word.FAIL, None, id="230 without a password"),
        pytest.param(
            [session(421, "421 too many users")], Word.UNKNOWN, Reason.INCONCLUSIVE, id="421 that is busy"
        ),
        pytest.param([session(421, "421 use TLS")], Word.PASS, None, id="421 that names TLS"),
        pytest.param([session(530, "530 TLS required")], Word.PASS, None, id="530 that names TLS"),
        pytest.param(
            [session(534, "534 encryption needed")], Word.PASS, None, id="534 that names encryption"
        ),
        pytest.param([session(530, "530 no")], Word.UNKNOWN, Reason.INCONCLUSIVE, id="other 530"),
        pytest.param(
            [session(500, "500 TLS")], Word.UNKNOWN, Reason.INCONCLUSIVE, id="500 names TLS in vain"
        ),
        pytest.param([session(None)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="no answer to USER"),
        pytest.param(
            [tcp_port(2121, speaks="ftp")],
            Word.UNKNOWN,
            Reason.INCONCLUSIVE,
            id="greets where we may not speak",
        ),
        pytest.param([tcp_port(21, State.REFUSING)], Word.PASS, None, id="reset"),
        pytest.param([tcp_port(21, speaks="smtp")], Word.PASS, None, id="something else speaks"),
        pytest.param([tcp_port(21)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="protocol not recognised"),
        pytest.param([tcp_port(21, State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="device not proven alive"),
        pytest.param(
            [tcp_port(21, State.SILENT), tcp_port(80, State.REFUSING)],
            Word.PASS,
            Reason.DROPPED,
            id="silent while another port answers",
        ),
    ],
)
def test_branch(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)


def test_an_asked_port_is_not_told_twice() -> None:
    both = tcp_port(21, speaks="ftp"), session(331)
    assert [o.word for o in CHECK.judge(seen_device(*both), NoSettings())] == [Word.FAIL]
