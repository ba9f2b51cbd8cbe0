"""The contract of a check: every check of ours keeps it, and what breaks it is named."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from hardenprobe.baseline import baseline
from hardenprobe.checking.check import Check, Outcome
from hardenprobe.facts import KINDS
from hardenprobe.model import Said, Word
from hardenprobe.plugins import registry
from hardenprobe.testing import complaints
from hardenprobe.testing.contract import invented

CHECKS = registry.load(plugins=False)
SETTINGS = baseline.load(baseline.DEFAULT, CHECKS).settings
TELNET = CHECKS.checks["cleartext-telnet"]


@pytest.mark.parametrize("name", sorted(SETTINGS))
def test_every_check_of_ours_keeps_it(name: str, holds_contract: Callable[..., None]) -> None:
    holds_contract(CHECKS.checks[name], SETTINGS[name])


def with_judge(judge: Callable[..., Any], **more: Any) -> Check[Any]:
    kept = (
        "id",
        "document",
        "reads",
        "judge",
        "vectors",
        "remedy",
        "controls",
        "settings",
        "reach",
        "version",
    )
    fields = {name: getattr(TELNET, name) for name in kept}
    return Check(**{**fields, "judge": judge, **more})


def outcome(word: Word, **more: Any) -> Outcome:
    return Outcome(word=word, observed=Said(text="x"), expected=Said(text="y"), **more)


counted = iter(range(10**6))


@pytest.mark.parametrize(
    ("judge", "says"),
    [
        (
            lambda seen, expect: [outcome(Word.PASS)],
            "given nothing at all, it says pass and names no observation",
        ),
        (
            lambda seen, expect: [outcome(Word.FAIL, proof=("made-up",))],
            "which is no observation of the device",
        ),
        (
            lambda seen, expect: [outcome(Word.UNKNOWN, subject=str(next(counted)))],
            "different things the second time",
        ),
        (lambda seen, expect: 1 / 0, "ZeroDivisionError"),
        (lambda seen, expect: [], "unknown is the least"),
        (
            lambda seen, expect: [outcome(Word.PASS, proof=tuple(o.id for o in seen.observations))],
            "given silence alone, it says pass",
        ),
    ],
)
def test_a_judge_that_breaks_it_is_named(judge: Callable[..., Any], says: str) -> None:
    found = complaints(with_judge(judge))

    assert any(says in one for one in found), found


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"controls": ()}, "names no control"),
        ({"controls": ("sc8",)}, "not written as NIST SP 800-53"),
        ({"vectors": {"": "AV:N/AC:L/Au:N/C:N/I:N/A:N/PL:ND/EM:A"}}, "scores 0"),
        ({"remedy": replace(TELNET.remedy, undo="")}, "has no undo"),
        ({"reach": None}, "its reach is none"),
        ({"reads": ()}, "expected a tuple of facts"),
    ],
)
def test_what_a_check_says_of_itself_is_held(change: dict[str, Any], says: str) -> None:
    found = complaints(with_judge(TELNET.judge, **change))

    assert any(says in one for one in found), found


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_records_of_every_kind_can_be_invented(kind: str) -> None:
    made = list(invented(KINDS[kind]))

    assert made and all(type(one) is KINDS[kind] for one in made)
