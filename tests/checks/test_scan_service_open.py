"""scan-service-open: each branch of its judge."""

from __future__ import annotations

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
        pytest.param(scanner(), Word.PASS, None, id="trap: 200 with the page that every path has"),
        pytest.param(scanner(401), Word.PASS, None, id="401"),
        pytest.param(scanner(403), Word.PASS, None, id="403"),
        pytest.param(scanner(404), Word.PASS, None, id="404"),
        pytest.param(scanner(301, location="https://x/"), Word.PASS, None, id="redirect to https"),
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
