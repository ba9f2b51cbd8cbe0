"""Judging again, and how a command should end."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from typing import Any

import pytest

from hardenprobe.baseline import baseline
from hardenprobe.decisions import exceptions, statements
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.judging.completeness import CLEAN, FINDING, INCOMPLETE, exit_status, incomplete
from hardenprobe.judging.judgement import remedies
from hardenprobe.judging.review import judged, rejudge
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model import Accepted, Coverage, Head, Missed, Reach, Result, Review, Word
from hardenprobe.model.versions import versions
from hardenprobe.plugins import registry
from hardenprobe.testing import sample_review, seen_device, tcp_port

CHECKS = registry.load(plugins=False)
EXPECTED = baseline.load(baseline.DEFAULT, CHECKS)
OPEN = tcp_port(9100)


def unjudged(*observations: Any, selected: tuple[str, ...] = tuple(CHECKS.checks)) -> Review:
    seen = seen_device(*observations)
    return Review(
        head=Head(
            id="20260302-210000-aaaaaa",
            started="2026-03-02T21:00:00Z",
            finished="2026-03-02T21:01:00Z",
            operator="Imke Sandvoort",
            scope="loopback",
            reach=Reach.ASK,
            plan_hash="0" * 64,
            selected=selected,
        ),
        coverage=Coverage(planned=1, visited=1, answered=1),
        vantages=(seen.vantage,),
        devices=(seen.device,),
        results=(),
        observations={seen.device.id: observations},
    )


FIRST = judged(unjudged(OPEN), JudgingRules(baseline=EXPECTED, registry=CHECKS, decisions=None))


def word_of(review: Review, check: str) -> Word:
    (word,) = {r.result for r in review.results if r.check == check}
    return word


def test_a_judged_review_holds_what_it_was_judged_by() -> None:
    (device,) = FIRST.devices
    assert device.baseline is not None
    assert (device.baseline.name, device.baseline.hash) == (EXPECTED.name, EXPECTED.hash)
    assert {note.id for note in FIRST.checks} == set(CHECKS.checks)
    # The open port is counted once: the specific check fails, the general one is information.
    assert [r.check for r in FIRST.findings] == ["cleartext-print-raw"]
    assert word_of(FIRST, "unexpected-service") is Word.INFORMATIONAL
    assert [a.remedy.id for a in FIRST.what_first] == ["raw-print-limit"]
    assert {r.result for r in FIRST.results} <= set(Word)


def test_judging_leaves_the_given_review_as_it_was() -> None:
    before = unjudged(OPEN)
    judged(before, JudgingRules(baseline=EXPECTED, registry=CHECKS, decisions=None))
    assert before == unjudged(OPEN)


def test_judging_again_under_another_baseline_changes_the_verdict_and_not_the_original() -> None:
    wider = CHECKS.get("unexpected-service").settings(allowed_tcp=(9100,))
    other = replace(EXPECTED, name="mine/1", settings={**EXPECTED.settings, "unexpected-service": wider})
    second = rejudge(FIRST, JudgingRules(baseline=other, registry=CHECKS, decisions=None))
    assert word_of(second, "unexpected-service") is Word.PASS
    assert second.head.id != FIRST.head.id
    assert second.head.judged_from == FIRST.head.id
    assert (
        rejudge(second, JudgingRules(baseline=EXPECTED, registry=CHECKS, decisions=None)).head.judged_from
        == FIRST.head.id
    ), "the scan is named, not the copy"
    assert (second.head.previous, second.head.previous_digest) == (None, None)
    assert second.observations == FIRST.observations
    assert word_of(FIRST, "unexpected-service") is Word.INFORMATIONAL


def test_judging_again_gives_the_same_results_for_the_same_baseline() -> None:
    assert (
        rejudge(FIRST, JudgingRules(baseline=EXPECTED, registry=CHECKS, decisions=None)).results
        == FIRST.results
    )


def test_checks_that_came_later_are_judged_too_and_those_left_out_stay_out() -> None:
    old = unjudged(OPEN, selected=("cleartext-print-raw",))
    old = replace(old, checks=tuple(n for n in FIRST.checks if n.id != "unexpected-service"))
    words = {
        r.check: r.result
        for r in rejudge(old, JudgingRules(baseline=EXPECTED, registry=CHECKS, decisions=None)).results
    }
    assert words["unexpected-service"] is Word.INFORMATIONAL
    assert words["cleartext-telnet"] is Word.NOTSELECTED


def clean() -> Review:
    results = tuple(replace(r, result=Word.PASS) for r in FIRST.results)
    return replace(FIRST, results=results)


def changed(word: Word, **more: Any) -> Review:
    first, *rest = clean().results
    return replace(FIRST, results=(replace(first, result=word, **more), *rest))


CHECK = FIRST.results[0].check
MUST = replace(EXPECTED, must_determine=frozenset({CHECK}))
MISSED = Missed(asset_tag="HO-1", addresses=("127.0.9.1",), why="silent")


@pytest.mark.parametrize(
    ("found", "options", "status"),
    [
        pytest.param(clean(), {}, CLEAN, id="nothing"),
        pytest.param(changed(Word.FAIL), {}, FINDING, id="a finding stands"),
        pytest.param(
            changed(Word.FAIL, exception=Accepted(id="E-1", until="2027-01-01")),
            {},
            CLEAN,
            id="a running exception",
        ),
        pytest.param(changed(Word.UNKNOWN), {}, CLEAN, id="unknown"),
        pytest.param(changed(Word.UNKNOWN), {"expected": MUST}, INCOMPLETE, id="must be determined"),
        pytest.param(changed(Word.FAIL), {"expected": MUST}, FINDING, id="was determined"),
        pytest.param(changed(Word.ERROR), {}, INCOMPLETE, id="a result in error"),
        pytest.param(
            replace(changed(Word.FAIL), coverage=Coverage(planned=3, visited=3)),
            {},
            INCOMPLETE,
            id="nobody answered",
        ),
        pytest.param(
            replace(clean(), head=replace(FIRST.head, interrupted=True)), {}, INCOMPLETE, id="interrupted"
        ),
        pytest.param(
            replace(clean(), coverage=replace(FIRST.coverage, unfinished=("127.0.9.1",))),
            {},
            INCOMPLETE,
            id="an unfinished visit",
        ),
        pytest.param(
            replace(clean(), coverage=replace(FIRST.coverage, listed_not_seen=(MISSED,))),
            {},
            INCOMPLETE,
            id="a listed device was not seen",
        ),
        pytest.param(
            replace(clean(), coverage=replace(FIRST.coverage, listed_not_seen=(MISSED,))),
            {"expected_missing": ["HO-1"]},
            CLEAN,
            id="known to be off",
        ),
    ],
)
def test_how_a_command_ends(found: Review, options: dict[str, Any], status: int) -> None:
    assert exit_status(found, **options) == status
    assert bool(incomplete(found, **options)) is (status == INCOMPLETE)


def test_why_it_is_incomplete_is_said_in_numbers_and_names() -> None:
    many = tuple(replace(MISSED, asset_tag=f"HO-{n}") for n in range(7))
    (reason,) = incomplete(replace(clean(), coverage=replace(FIRST.coverage, listed_not_seen=many)))
    assert reason == "7 listed devices were not seen: HO-0, HO-1, HO-2, HO-3, HO-4 and 2 more"
    (reason,) = incomplete(replace(clean(), coverage=replace(FIRST.coverage, listed_not_seen=many[:1])))
    assert reason == "1 listed device was not seen: HO-0"


def test_every_remedy_of_a_finding_is_known() -> None:
    known = remedies(CHECKS)
    assert {r.remedy for r in FIRST.results if r.result is Word.FAIL} <= set(known)


def test_versions_name_all_that_a_verdict_rests_on() -> None:
    found = {**versions(), **FIRST.head.versions}
    assert found["baseline"] == EXPECTED.name
    assert {"hardenprobe", "python", "cryptography", "pysnmp"} <= set(found)


def test_a_result_stands_only_where_nobody_accepted_it() -> None:
    standing: list[Result] = [r for r in sample_review(6).results if r.stands]
    assert standing
    assert all(r.result is Word.FAIL and r.exception is None for r in standing)
    assert exit_status(sample_review(6)) == INCOMPLETE


@pytest.mark.slow
def test_a_check_that_opens_a_socket_is_refused_and_named() -> None:
    """In a process of its own: an audit hook stays."""
    program = """
import socket
import subprocess
import sys
from dataclasses import replace
from hardenprobe.baseline import baseline
from hardenprobe.decisions import exceptions, statements
from hardenprobe.plugins import registry
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.judging.review import judged
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.testing import sample_review

checks = registry.load(plugins=False)

def nosy(seen, expect):
    socket.create_connection(("127.0.0.1", 9), 1)
    yield

broken = replace(checks.checks["cleartext-telnet"], judge=nosy)
checks.checks["cleartext-telnet"] = broken
old = sample_review()
old = replace(old, head=replace(old.head, selected=tuple(checks.checks)))
found = judged(old, JudgingRules(baseline=baseline.load("office-device", checks), registry=checks, decisions=None))
print([r.result for r in found.results if r.check == "cleartext-telnet"][0], found.notices)
"""
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=50
    )

    assert done.stdout.startswith("error ")
    assert "127.0.0.1 port 9" in done.stdout


def test_a_listed_device_that_nobody_asked_for_does_not_make_a_scan_incomplete() -> None:
    missed = tuple(
        Missed(asset_tag=tag, addresses=("192.0.2.9",), why=why)
        for tag, why in (("T-1", "not planned"), ("T-2", "silent"))
    )
    found = replace(FIRST, coverage=Coverage(answered=1, listed_not_seen=missed))
    (reason,) = incomplete(found)

    assert reason == "1 listed device was not seen: T-2"


def decided(day: str) -> Decisions:
    """The port of FIRST accepted from 2026-03-10 to 2026-03-20, and telnet stated to be off for as long."""
    days = {"starts": "2026-03-10", "until": "2026-03-20"}
    (found,) = [r for r in FIRST.findings if r.check == "cleartext-print-raw"]
    snapshot = exceptions.AcceptedFinding(
        finding=found.finding,
        device=found.device,
        transport="tcp",
        port=9100,
        path=None,
        subject=None,
        score=found.score or 0.0,
        severity=str(found.severity),
        vector=found.vector,
        observed="",
        value=found.observed.value,
    )
    accepted = exceptions.RiskException(
        id="E-1",
        check=found.check,
        device=found.device,
        label="HO-1",
        tag=None,
        reason="r",
        compensating="c",
        requested_by="Imke Sandvoort",
        approved_by="Morag Kerr",
        review="r1",
        baseline="b",
        accepted=(snapshot,),
        **days,
    )
    stated = statements.Statement(
        id="S-1",
        control="cleartext-protocols-off",
        device=None,
        tag=None,
        answer="yes",
        words=None,
        by="Imke Sandvoort",
        made=days["starts"],
        until=days["until"],
        method="test",
    )
    return Decisions(exceptions=(accepted,), statements=(stated,), day=day, mark="0" * 64)


@pytest.mark.parametrize(
    ("day", "stands", "lapsed", "stated"),
    [
        ("2026-03-05", True, None, Word.NOTAPPLICABLE),
        ("2026-03-10", False, None, Word.UNKNOWN),
        ("2026-03-21", True, "expired on 2026-03-20", Word.NOTAPPLICABLE),
    ],
)
def test_decisions_run_by_the_day_of_the_judgement_and_not_of_the_scan(
    day: str, stands: bool, lapsed: str | None, stated: Word
) -> None:
    found = rejudge(FIRST, JudgingRules(baseline=EXPECTED, registry=CHECKS, decisions=decided(day)))
    (raw,) = [r for r in found.findings if r.check == "cleartext-print-raw"]
    assert (raw.result, raw.stands, raw.lapsed and raw.lapsed.why) == (Word.FAIL, stands, lapsed)
    assert [r.result for r in found.results if r.check == "statement-contradicted"] == [stated]
    assert (found.head.decided_on, found.head.ledger, found.head.started) == (
        day,
        "0" * 64,
        FIRST.head.started,
    )


def test_without_decisions_what_people_stated_stays_and_no_exception_runs() -> None:
    before = rejudge(FIRST, JudgingRules(baseline=EXPECTED, registry=CHECKS, decisions=decided("2026-03-10")))
    after = rejudge(before, JudgingRules(baseline=EXPECTED, registry=CHECKS, decisions=None))
    assert (after.observations, after.statements) == (before.observations, before.statements)
    assert all(r.stands for r in after.findings)
    assert after.head.decided_on is None
