"""JUnit XML: the common part, which a library of the registry reads too."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from xml.etree.ElementTree import Element

import pytest
from defusedxml.ElementTree import fromstring
from junitparser import Error, Failure, JUnitXml, Skipped

from hardenprobe.model import Review, Word
from hardenprobe.testing import sample_review

Written = Callable[[str, Any], bytes]

# No formal standard exists. Element: attributes that it must have, elements that it may hold. Common practice (no published requirement).
COUNTS = {"tests", "failures", "errors", "skipped"}
COMMON = {
    "testsuites": ({"name", *COUNTS}, {"testsuite"}),
    "testsuite": ({"name", "timestamp", *COUNTS}, {"properties", "testcase"}),
    "properties": (set(), {"property"}),
    "property": ({"name", "value"}, set()),
    "testcase": ({"name", "classname", "time"}, {"failure", "error", "skipped"}),
    "failure": ({"type", "message"}, set()),
    "error": ({"type", "message"}, set()),
    "skipped": ({"message"}, set()),
}


@pytest.mark.parametrize("hostile", [False, True])
def test_it_has_the_common_shape(written: Written, hostile: bool) -> None:
    def check(element: Element) -> None:
        wanted, inside = COMMON[element.tag]
        assert set(element.keys()) == wanted
        assert {one.tag for one in element} <= inside
        for one in element:
            check(one)

    root = fromstring(written("junit", sample_review(8, hostile)))
    assert root.tag == "testsuites"
    check(root)


def test_counts_are_those_of_the_cases(written: Written) -> None:
    review = sample_review(8)
    suites = JUnitXml.fromstring(written("junit", review))
    assert [suite.name for suite in suites] == [device.label for device in review.devices]
    for suite in suites:
        cases = list(suite)
        kinds = [type(one) for case in cases for one in case.result]
        assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (
            len(cases), kinds.count(Failure), kinds.count(Error), kinds.count(Skipped),
        )  # fmt: skip
    assert (suites.tests, suites.failures) == (len(review.results), sum(r.stands for r in review.results))
    assert suites.tests == sum(suite.tests for suite in suites)


def outcome(review: Review, written: Written) -> list[tuple[Word, bool, str]]:
    cases = [case for suite in JUnitXml.fromstring(written("junit", review)) for case in suite]
    said = ["".join(type(one).__name__ for one in case.result) for case in cases]
    return [(r.result, r.exception is not None, one) for r, one in zip(review.results, said, strict=True)]


def test_only_a_pass_passes(written: Written) -> None:
    found = set(outcome(sample_review(24), written))
    assert found == {
        (Word.FAIL, False, "Failure"),
        (Word.FAIL, True, "Skipped"),
        (Word.ERROR, False, "Error"),
        (Word.UNKNOWN, False, "Skipped"),
        (Word.NOTCHECKED, False, "Skipped"),
        (Word.NOTAPPLICABLE, False, "Skipped"),
        (Word.PASS, False, ""),
        (Word.INFORMATIONAL, False, "Skipped"),
    }


def test_a_failure_says_what_was_seen_and_what_to_do(written: Written) -> None:
    review = sample_review(1)
    (suite,) = JUnitXml.fromstring(written("junit", review))
    case = next(iter(suite))
    (failure,) = case.result
    assert case.classname == "cleartext-telnet"
    assert (failure.type, failure.message) == ("high", "TCP 23 prompts login:")
    for line in ("Expected: no port speaks telnet", "Remedy: Switch telnet off", review.results[0].finding):
        assert line in (failure.text or "")
    assert suite.timestamp == "2026-03-02T21:00:00"


def test_nothing_that_a_device_wrote_is_markup_or_control(written: Written) -> None:
    text = written("junit", sample_review(8, hostile=True)).decode("utf-8")
    assert "<script" not in text and "<!--" not in text
    assert all(char == "\n" or char.isprintable() for char in text)
