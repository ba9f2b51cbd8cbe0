"""discovery-credentials: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest
from support.discovery import question, text_record

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.discovery_credentials import CHECK
from hardenprobe.facts import PASSWORD_KEYS, USER_KEYS, MdnsAnswer
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import HOSTILE, seen_device

ANSWERED = question(MdnsAnswer, 5353, says="_ftp._tcp.local")
SILENT = question(MdnsAnswer, 5353, State.SILENT)
REFUSED = question(MdnsAnswer, 5353, State.REFUSING)
GROUP = question(MdnsAnswer, 5353, State.SILENT, group=True)
UNREAD = question(MdnsAnswer, 5353)


@pytest.mark.parametrize(
    ("observations", "word", "reason", "vector"),
    [
        pytest.param([ANSWERED, text_record("u", "p")], Word.FAIL, None, "password", id="user and password"),
        pytest.param([text_record("p")], Word.FAIL, None, "password", id="password"),
        pytest.param([text_record("username", "path")], Word.FAIL, None, "user", id="user name alone"),
        pytest.param(
            [text_record("rp", "qtotal", "menu")], Word.PASS, None, None, id="keys that end in p and u"
        ),
        pytest.param(
            [text_record("path", empty=("u", "p"))], Word.PASS, None, None, id="keys without a value"
        ),
        pytest.param([text_record()], Word.PASS, None, None, id="a record without keys"),
        pytest.param([ANSWERED], Word.UNKNOWN, Reason.INCONCLUSIVE, None, id="answers, and no record came"),
        pytest.param([SILENT], Word.UNKNOWN, Reason.SILENT, None, id="silent"),
        pytest.param([UNREAD], Word.UNKNOWN, Reason.INCONCLUSIVE, None, id="no answer that can be read"),
        pytest.param([REFUSED], Word.UNKNOWN, Reason.OFF_LINK, None, id="port unreachable, group not asked"),
        pytest.param([REFUSED, GROUP], Word.NOTAPPLICABLE, None, None, id="port unreachable, group silent"),
        pytest.param([REFUSED, SILENT], Word.UNKNOWN, Reason.SILENT, None, id="one of two addresses silent"),
        pytest.param([], Word.UNKNOWN, Reason.INCONCLUSIVE, None, id="not asked"),
    ],
)
def test_branch(
    observations: list[Observation[Any]], word: Word, reason: Reason | None, vector: str | None
) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason, outcome.vector) == (word, reason, vector)


@pytest.mark.parametrize("key", sorted(USER_KEYS | PASSWORD_KEYS))
def test_every_key_counts(key: str) -> None:
    (outcome,) = CHECK.judge(seen_device(text_record(key)), NoSettings())
    assert outcome.word is Word.FAIL
    assert outcome.observed.value == [key]


def test_each_record_is_a_subject_once_however_often_it_came() -> None:
    first, second = text_record("p"), text_record("u", instance=HOSTILE[0])
    outcomes = list(CHECK.judge(seen_device(first, first, text_record("path"), second), NoSettings()))
    assert [o.subject for o in outcomes] == ["Scans._ftp._tcp.local.", HOSTILE[0]]
