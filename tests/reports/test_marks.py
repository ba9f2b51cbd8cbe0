"""Marks: a shape and a word for each outcome, the one that matters most first."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations

import pytest

from hardenprobe.model import Accepted, Result, Severity, Word
from hardenprobe.reports.marks import ACCEPTED, HIGH, MARKS, NONE, mark
from hardenprobe.testing import sample_review


def result(word: Word, score: float | None = None, severity: Severity | None = None) -> Result:
    first = sample_review(1).results[0]
    return replace(first, result=word, reason=None, score=score, severity=severity, exception=None)


@pytest.mark.parametrize("other", [Word.UNKNOWN, Word.ERROR, Word.NOTCHECKED])
def test_what_could_not_be_told_is_never_shown_as_a_pass(other: Word) -> None:
    for order in permutations((result(Word.PASS), result(other), result(Word.NOTAPPLICABLE))):
        assert mark(order) == mark([result(other)]) != mark([result(Word.PASS)])


def test_the_worst_finding_speaks_for_a_place() -> None:
    low, high = result(Word.FAIL, 2.6, Severity.LOW), result(Word.FAIL, 7.8, Severity.HIGH)
    assert mark([low, result(Word.ERROR), high]) == HIGH


def test_what_stands_speaks_before_what_is_accepted() -> None:
    accepted = replace(
        result(Word.FAIL, 9.0, Severity.HIGH), exception=Accepted(id="E-1", until="2026-06-30")
    )
    assert mark([accepted]) == ACCEPTED
    assert mark([accepted, result(Word.FAIL, 7.0, Severity.HIGH)]) == HIGH


def test_every_outcome_has_a_shape_and_words_of_its_own() -> None:
    shown = [mark([result(word)]) for word in Word if word is not Word.FAIL]
    shown += [mark([result(Word.FAIL, 1.0, severity)]) for severity in (*Severity, None)]
    for of in ("code", "shape", "meaning"):
        assert len({getattr(one, of) for one in shown}) == len(shown)
        assert len({getattr(one, of) for one in MARKS}) == len(MARKS)
    assert set(shown) <= set(MARKS)
    assert mark([]) == NONE
