"""Exceptions: what is refused, what they cover, and when they no longer do."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.baseline import baseline
from hardenprobe.baseline.baseline import Baseline, ExceptionRules, LongestDays
from hardenprobe.baseline.selection import Choice, Expectations
from hardenprobe.checking.check import DeviceView, Outcome, fail
from hardenprobe.decisions import exceptions
from hardenprobe.decisions.entry import Entry
from hardenprobe.decisions.exceptions import AcceptedFinding, ExceptionRequest, RiskException
from hardenprobe.decisions.inputs import InputError
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.facts import FtpSession
from hardenprobe.judging.review import judged
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model import Accepted, BaselineRule, Result, Review, Said, Severity, Word
from hardenprobe.plugins import registry
from hardenprobe.plugins.registry import Registry
from hardenprobe.testing import sample_review

CHECKS = registry.load(plugins=False)
RULES = baseline.load(baseline.DEFAULT, CHECKS)
TODAY = date(2026, 3, 10)
REVIEW = sample_review(8)  # of 2026-03-02
FTP = "cleartext-ftp"
ON_FTP = [r for r in REVIEW.findings if r.check == FTP]


def asked(**changes: Any) -> ExceptionRequest:
    plain = {
        "device": "HO-0101",
        "check": FTP,
        "reason": "The archive's host knows nothing else.",
        "compensating": "A filter admits that host alone.",
        "requested_by": "Imke Sandvoort",
        "approved_by": "Morag Kerr",
        "until": "2026-04-01",
    }
    return ExceptionRequest(**{**plain, **changes})


def made(id: str = "E-1", ended: str | None = None, **changes: Any) -> RiskException:
    draft = exceptions.draft(asked(**changes), REVIEW, RULES, CHECKS, TODAY)
    entry = Entry(
        number=1,
        at="",
        kind=draft.kind,
        subject=id,
        operator="",
        body=draft.body,
        digest="",
        previous_digest=None,
    )
    (one,) = exceptions.read([entry])
    return replace(one, ended=ended)


def applied(
    *running: RiskException,
    review: Review = REVIEW,
    today: str = "2026-03-20",
    expected: Expectations = RULES,
) -> dict[str, Result]:
    found = exceptions.apply(review.results, review.devices, running, today, expected)
    return {r.finding: r for r in found if r.check == FTP and r.result is Word.FAIL}


def test_an_exception_covers_its_finding_and_no_other() -> None:
    found = applied(made())
    covered = ON_FTP[0].finding
    assert len(found) > 1
    assert found[covered].exception == Accepted(id="E-1", until="2026-04-01")
    assert found[covered].result is Word.FAIL
    assert not found[covered].stands
    assert all(r.stands and r.lapsed is None for key, r in found.items() if key != covered)


def test_a_tag_covers_every_device_that_has_it_and_one_that_gets_it_later() -> None:
    tagged = replace(
        REVIEW, devices=(*(replace(d, tags=("archive",)) for d in REVIEW.devices[:4]), *REVIEW.devices[4:])
    )
    draft = exceptions.draft(asked(device=None, tag="archive"), tagged, RULES, CHECKS, TODAY)
    one = RiskException(
        id="E-1", **{**draft.body, "accepted": tuple(AcceptedFinding(**a) for a in draft.body["accepted"])}
    )
    assert [a.device for a in one.accepted] == [REVIEW.devices[0].id]
    assert [r.stands for r in applied(one, review=tagged).values()] == [False, True]
    later = replace(tagged, devices=tuple(replace(d, tags=("archive",)) for d in REVIEW.devices))
    assert [r.stands for r in applied(one, review=later).values()] == [False, False]


@pytest.mark.parametrize(
    ("today", "state", "runs", "why"),
    [
        ("2026-03-09", "starts on 2026-03-10", False, None),
        ("2026-03-10", "runs until 2026-04-01", True, None),
        ("2026-04-01", "runs until 2026-04-01", True, None),
        ("2026-04-02", "expired on 2026-04-01", False, "expired on 2026-04-01"),
    ],
)
def test_the_days(today: str, state: str, runs: bool, why: str | None) -> None:
    one = made()
    result = applied(one, today=today)[ON_FTP[0].finding]
    assert (one.state(today), one.runs(today)) == (state, runs)
    assert result.stands is not runs
    assert (result.lapsed and result.lapsed.why) == why


def test_one_that_was_ended_counts_again_from_that_day() -> None:
    one = made(ended="2026-03-15")
    assert not applied(one, today="2026-03-14")[ON_FTP[0].finding].stands
    result = applied(one, today="2026-03-15")[ON_FTP[0].finding]
    assert result.stands and result.lapsed.why == "ended on 2026-03-15"


def worse(**changes: Any) -> Review:
    results = tuple(replace(r, **changes) if r.finding == ON_FTP[0].finding else r for r in REVIEW.results)
    return replace(REVIEW, results=results)


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        pytest.param({"score": 6.8, "vector": "AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:ND/EM:A"}, "score 6.8, accepted 4.3", id="score"),
        pytest.param({"vector": "AV:N/AC:M/Au:N/C:N/I:P/A:N/PL:ND/EM:A"}, "another kind of harm", id="vector"),
        pytest.param({"score": 2.6, "vector": "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:A", "severity": Severity.LOW}, None,
                     id="milder"),
        pytest.param({"observed": Said(text="other words")}, None, id="other words"),
    ],
)  # fmt: skip
def test_what_gets_worse_counts_again(changes: dict[str, Any], why: str | None) -> None:
    result = applied(made(), review=worse(**changes))[ON_FTP[0].finding]
    assert result.stands is (why is not None)
    assert why is None or why in result.lapsed.why


@pytest.mark.parametrize(
    ("before", "now", "stands"),
    [(["a", "b"], ["a", "b"], False), (["a", "b"], ["b"], False), (["a"], ["a", "b"], True), ([], ["a"], True), (7, 8, False),
     ({"RC4": ["TLS 1.2"]}, {"RC4": ["TLS 1.2"]}, False), ({"RC4": ["TLS 1.2"]}, {"RC4": ["TLS 1.2"], "NULL": ["TLS 1.2"]}, True),
     ({"RC4": ["TLS 1.2"]}, {"RC4": ["TLS 1.1", "TLS 1.2"]}, True), ({"sha256": "1", "devices": ["a"]}, {"sha256": "2", "devices": []}, False),
     ({"received": 8}, {"received": 9}, False)],
)  # fmt: skip
def test_more_of_what_a_check_lists_counts_again(before: Any, now: Any, stands: bool) -> None:
    one = made()
    one = replace(one, accepted=tuple(replace(a, value=before) for a in one.accepted))
    review = worse(observed=Said(text="some", value=now))
    assert applied(one, review=review)[ON_FTP[0].finding].stands is stands


@pytest.mark.parametrize(
    ("way", "before", "now", "stands"),
    [("smaller", 1024, 768, True), ("smaller", 1024, 1024, False), ("smaller", 1024, 1536, False), ("larger", 900, 3650, True),
     ("larger", 3650, 900, False), ("smaller", "1024", 768, False), ("smaller", True, 0, False), (None, 1024, 768, False)],
)  # fmt: skip
def test_a_number_that_is_worse_counts_again(way: Any, before: Any, now: Any, stands: bool) -> None:
    one = made()
    one = replace(one, accepted=tuple(replace(a, value=before) for a in one.accepted))
    review = worse(observed=Said(text="some", value=now))
    ways: Any = {ON_FTP[0].check: way} if way else None
    results = exceptions.apply(review.results, review.devices, [one], "2026-03-20", RULES, ways)
    (result,) = (r for r in results if r.finding == ON_FTP[0].finding)
    assert result.stands is stands
    assert not stands or result.lapsed and f"{now}, accepted {before}" in result.lapsed.why


def test_a_judgement_knows_which_way_a_check_says_is_worse() -> None:
    bits = 1024

    def short(seen: DeviceView, expect: object) -> Iterator[Outcome]:
        yield fail(seen.of(FtpSession)[0], "short", "long", value=bits)

    made_up = replace(CHECKS.checks[FTP], judge=short, worse="smaller", reads=(FtpSession,))
    few = Registry(checks={FTP: made_up}, origins={FTP: "here"})
    old = judged(REVIEW, JudgingRules(baseline=RULES, registry=few, decisions=None))
    draft = exceptions.draft(asked(), old, RULES, few, TODAY)
    accepted = tuple(AcceptedFinding(**a) for a in draft.body["accepted"])
    one = RiskException(id="E-1", **{**draft.body, "accepted": accepted})
    decisions = Decisions(exceptions=(one,), day="2026-03-20")
    stands = {}
    for bits in (1024, 2048, 512):
        new = judged(REVIEW, JudgingRules(baseline=RULES, registry=few, decisions=decisions))
        stands[bits] = next(r for r in new.results if r.finding == accepted[0].finding).stands
    assert stands == {1024: False, 2048: False, 512: True}


def test_a_second_exception_that_runs_is_enough() -> None:
    found = applied(made("E-1", ended="2026-03-11"), made("E-2"), made("E-3", until="2026-03-21"))
    assert found[ON_FTP[0].finding].exception == Accepted(id="E-2", until="2026-04-01")
    assert found[ON_FTP[0].finding].lapsed is None


def test_the_review_keeps_the_words_of_those_that_it_names() -> None:
    both = (made("E-7"), made("E-9", ended="2026-03-11"))
    results = exceptions.apply(REVIEW.results, REVIEW.devices, both, "2026-03-20", RULES)
    named = {result.exception.id for result in results if result.exception}
    (note,) = exceptions.notes(named, both, "2026-03-20")
    assert (note.id, note.approved_by, note.state) == ("E-7", "Morag Kerr", "runs until 2026-04-01")
    assert note.about == f"{FTP} on HO-0101"


@pytest.mark.parametrize(
    ("changes", "key", "says"),
    [
        pytest.param({"approved_by": " imke  SANDVOORT"}, "approved_by", "another person must approve", id="same person"),
        pytest.param({"reason": " "}, "reason", "is empty", id="no reason"),
        pytest.param({"compensating": "x" * 2001}, "compensating", "2001 characters", id="long"),
        pytest.param({"check": "cleartext-ftpp"}, "check", "did you mean cleartext-ftp", id="no such check"),
        pytest.param({"check": "cleartext-telnet", "device": "HO-0103"}, "check", "nothing to accept", id="no finding"),
        pytest.param({"device": "HO-0109"}, "device", "did you mean HO-010", id="no such device"),
        pytest.param({"device": None}, "device", "or else a tag", id="neither"),
        pytest.param({"tag": "public-area"}, "device", "or else a tag", id="both"),
        pytest.param({"device": None, "tag": "public"}, "tag", "did you mean public-area", id="no such tag"),
        pytest.param({"port": "21"}, "port", "write 23/tcp", id="no transport"),
        pytest.param({"port": "22/tcp"}, "port", "there is one at 21/tcp", id="another port"),
        pytest.param({"subject": "anonymous"}, "subject", "there is no subject", id="another subject"),
        pytest.param({"until": "soon"}, "until", "write it as 2026-11-25", id="no day"),
        pytest.param({"until": "2026-03-09"}, "until", "is before 2026-03-10", id="backwards"),
        pytest.param({"starts": "2026-03-03", "until": "2026-03-09"}, "until", "over already", id="over"),
        pytest.param({"starts": "2026-03-01"}, "starts", "before 2026-03-02", id="before the review"),
        pytest.param({"until": "2026-06-09"}, "until", "for 90 days (baseline office-device/1); the last day is 2026-06-08",
                     id="too far for medium"),
    ],
)  # fmt: skip
def test_what_is_refused(changes: dict[str, Any], key: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        exceptions.draft(asked(**changes), REVIEW, RULES, CHECKS, TODAY)
    assert caught.value.key == key
    assert says in str(caught.value)


@pytest.mark.parametrize(("severity", "days"), [("high", 30), ("medium", 90), ("low", 365)])
def test_the_worst_severity_limits_the_length(severity: str, days: int) -> None:
    """The shipped limits are common practice (no published requirement)."""
    review = worse(severity=Severity(severity))
    last = TODAY + timedelta(days=days)
    assert (
        exceptions.draft(asked(until=last.isoformat()), review, RULES, CHECKS, TODAY).body["until"]
        == last.isoformat()
    )
    with pytest.raises(InputError, match=f"the last day is {last}"):
        exceptions.draft(asked(until=(last + timedelta(days=1)).isoformat()), review, RULES, CHECKS, TODAY)


scores = st.sampled_from([0.0, 2.6, 4.3, 6.8, 9.3])


@given(
    scores, scores, st.dates(date(2026, 2, 1), date(2026, 5, 1)), st.lists(st.sampled_from("abc"), max_size=3)
)
def test_it_never_hides_what_is_worse_or_out_of_its_days(
    score: float, accepted: float, when: date, now: Sequence[str]
) -> None:
    one = made()
    one = replace(one, accepted=tuple(replace(a, score=accepted, value=["a"]) for a in one.accepted))
    review = worse(score=score, observed=Said(text="some", value=list(now)))
    result = applied(one, review=review, today=when.isoformat())[ON_FTP[0].finding]
    within = date(2026, 3, 10) <= when <= date(2026, 4, 1)
    assert result.stands is not (within and score <= accepted and set(now) <= {"a"})
    assert not (result.exception and result.lapsed)


def limited(name: str, **days: int) -> Baseline:
    """The shipped baseline under another name and with limits of its own."""
    rules = ExceptionRules(longest_days=LongestDays(**days))
    return replace(RULES, name=name, file=replace(RULES.file, exceptions=rules))


@given(st.integers(1, 400), st.integers(1, 400))
def test_an_exception_longer_than_the_devices_own_baseline_allows_covers_nothing(
    days: int, longest: int
) -> None:
    """All findings of `FTP` in the sample are of severity medium; the other limits say nothing of them."""
    until = (TODAY + timedelta(days=days)).isoformat()
    one = replace(made(), until=until)
    result = applied(one, expected=limited("own/1", high=400, medium=longest, low=1))[ON_FTP[0].finding]
    if until < "2026-03-20":
        assert result.lapsed and result.lapsed.why == f"expired on {until}"
    elif days <= longest:
        assert result.exception == Accepted(id="E-1", until=until)
    else:
        assert result.stands
        assert result.lapsed and result.lapsed.why == (
            f"longer than the device's own baseline allows: {days} days, and a finding of severity medium may be "
            f"accepted for {longest} days (baseline own/1)"
        )


def test_the_limit_of_a_tag_s_exception_is_each_devices_own() -> None:
    """Two devices under two baselines: the same exception covers the one and not the other."""
    devices = tuple(replace(d, tags=("archive",)) for d in REVIEW.devices)
    first = ON_FTP[0].device
    rules = (BaselineRule(baseline="short", networks=(address_of(first),)), BaselineRule(baseline="long"))
    choice = Choice(
        rules=rules, baselines={"short": limited("short/1", medium=5), "long": limited("long/1", medium=60)}
    )
    accepted = tuple(exceptions._snapshot(r) for r in ON_FTP)
    one = replace(made(), device=None, label=None, tag="archive", accepted=accepted)
    found = applied(one, review=replace(REVIEW, devices=devices), expected=choice)
    stands = {r.device: (r.stands, r.lapsed and "(baseline short/1)" in r.lapsed.why) for r in found.values()}
    assert stands.pop(first) == (True, True)
    assert stands and set(stands.values()) == {(False, None)}


def address_of(device: str) -> str:
    return next(d.addresses[0].address for d in REVIEW.devices if d.id == device)
