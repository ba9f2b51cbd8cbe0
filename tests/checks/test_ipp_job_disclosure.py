"""ipp-job-disclosure: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.ipp_job_disclosure import CHECK
from hardenprobe.facts import IppJobs, IppPrinter
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, tcp_port

PRINTER = at(
    631,
    IppPrinter(tls=True, path="/ipp/print", assigned=True, http_status=200, status=0),
    protocol="ipps",
    path="/ipp/print",
)


def jobs(which: str = "completed", http: int | None = 200, status: int | None = 0, **more: Any) -> Any:
    facts = IppJobs(tls=True, path="/ipp/print", which=which, http_status=http, status=status, **more)
    return at(631, facts, protocol="ipps", path="/ipp/print")


@pytest.mark.parametrize(
    ("answers", "word", "reason"),
    [
        pytest.param([jobs(jobs=1, names=1)], Word.FAIL, None, id="a title"),
        pytest.param([jobs("not-completed"), jobs(jobs=1, users=1)], Word.FAIL, None, id="a user"),
        pytest.param([jobs(jobs=1)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="trap: one job without names"),
        pytest.param([jobs(status=0x0403), jobs(http=401, status=None)], Word.PASS, None, id="refused"),
        pytest.param([jobs("not-completed"), jobs()], Word.UNKNOWN, Reason.INCONCLUSIVE, id="no job"),
        pytest.param([jobs(status=0x0403), jobs()], Word.UNKNOWN, Reason.INCONCLUSIVE, id="refused in part"),
        pytest.param([jobs(status=0x0500)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="server error"),
        pytest.param([], Word.UNKNOWN, Reason.INCONCLUSIVE, id="was not asked"),
    ],
)
def test_branch(answers: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(PRINTER, *answers), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)


def test_only_counts_are_told() -> None:
    (outcome,) = CHECK.judge(seen_device(PRINTER, jobs(jobs=1, names=1, users=1)), NoSettings())
    assert outcome.observed.value == {"which": "completed", "job names": 1, "user names": 1}


def test_without_ipp() -> None:
    for state, word in ((State.REFUSING, Word.NOTAPPLICABLE), (State.SILENT, Word.UNKNOWN)):
        assert [o.word for o in CHECK.judge(seen_device(tcp_port(631, state)), NoSettings())] == [word]
