"""scan-service-open: each branch of its judge."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.scan_service_open import CHECK
from hardenprobe.facts import HttpAnswer, ScanServiceAnswer
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, tcp_port


def scanner(status: int | None = 200, **more: Any) -> Any:
    facts = ScanServiceAnswer(tls=False, path="/scan", status=status, **more)
    return at(80, facts, protocol="http", path="/scan")


@pytest.mark.parametrize(
    ("observation", "word", "reason"),
    [
        pytest.param(scanner(capabilities=True), Word.FAIL, None, id="capabilities"),
        pytest.param(scanner(), Word.UNKNOWN, Reason.INCONCLUSIVE, id="trap: 200 with the page that every path has"),
        pytest.param(scanner(401), Word.PASS, None, id="401"),
        pytest.param(scanner(403), Word.PASS, None, id="403"),
        pytest.param(scanner(404), Word.UNKNOWN, Reason.INCONCLUSIVE, id="404: it may live elsewhere"),
        pytest.param(scanner(301, location="https://x/"), Word.UNKNOWN, Reason.INCONCLUSIVE,
                     id="redirect to https that was not asked"),
        pytest.param(scanner(302, location="/elsewhere"), Word.UNKNOWN, Reason.INCONCLUSIVE, id="redirect"),
        pytest.param(scanner(503), Word.UNKNOWN, Reason.INCONCLUSIVE, id="503"),
        pytest.param(scanner(None, fault="silent"), Word.UNKNOWN, Reason.SILENT, id="silent"),
        pytest.param(tcp_port(80, State.REFUSING), Word.PASS, None, id="reset"),
        pytest.param(tcp_port(80, State.SILENT), Word.UNKNOWN, Reason.SILENT, id="silent port"),
        pytest.param(at(80, HttpAnswer(tls=False, path="/", status=200), protocol="http"), Word.UNKNOWN,
                     Reason.INCONCLUSIVE, id="was not asked"),
    ],
)  # fmt: skip
def test_branch(observation: Observation[Any], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(observation), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)


def test_a_redirect_to_https_passes_where_the_same_path_was_asked_over_tls() -> None:
    away = scanner(301, location="https://x/scan")
    there = replace(scanner(401), facts=replace(scanner(401).facts, tls=True))
    other = replace(there, facts=replace(there.facts, path="/other"))

    assert [o.word for o in CHECK.judge(seen_device(away, there), NoSettings())] == [Word.PASS, Word.PASS]
    assert [o.word for o in CHECK.judge(seen_device(away, other), NoSettings())] == [Word.UNKNOWN, Word.PASS]


def test_capabilities_are_not_called_a_proof_of_open_scanning() -> None:
    (outcome,) = CHECK.judge(seen_device(scanner(capabilities=True)), NoSettings())
    assert "not tried" in outcome.observed.text


def test_an_answer_without_status_is_no_server_that_was_not_asked() -> None:
    """Where HTTP was never answered, the port decides, and a port that refuses is one without the service."""
    mute = at(80, HttpAnswer(tls=False, path="/", status=None, fault="silent"), protocol="http")
    (outcome,) = CHECK.judge(seen_device(mute, tcp_port(80, State.REFUSING)), NoSettings())
    assert outcome.word is Word.PASS
