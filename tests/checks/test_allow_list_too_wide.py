"""allow-list-too-wide: each branch of its judge."""

from __future__ import annotations

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.allow_list_too_wide import CHECK
from hardenprobe.facts import DeclaredAllowList
from hardenprobe.model import Observation, Reason, Word
from hardenprobe.testing import declared, seen_device


def listed(
    *entries: str, approved: tuple[str, ...] = ("192.0.2.0/24",), position: int = 1
) -> Observation[DeclaredAllowList]:
    return declared(
        DeclaredAllowList(
            services=("https",), entries=entries, approved=approved, position=position, source="inventory"
        )
    )


@pytest.mark.parametrize(
    ("observation", "word", "reason"),
    [
        pytest.param(listed("192.0.2.0/23", approved=("192.0.2.0/24",)), Word.FAIL, None, id="too wide"),
        pytest.param(listed("2001:db8::/64"), Word.FAIL, None, id="another family"),
        pytest.param(listed("192.0.2.10", "192.0.2.64-192.0.2.80"), Word.PASS, None, id="approved only"),
        pytest.param(listed("::ffff:192.0.2.0/120"), Word.PASS, None, id="IPv4-mapped block is IPv4"),
        pytest.param(
            listed("192.0.2.10", approved=()), Word.UNKNOWN, Reason.INCONCLUSIVE, id="no approved networks"
        ),
        pytest.param(listed(), Word.UNKNOWN, Reason.INCONCLUSIVE, id="an empty list admits everyone"),
        pytest.param(None, Word.NOTAPPLICABLE, None, id="no list"),
    ],
)
def test_branch(
    observation: Observation[DeclaredAllowList] | None, word: Word, reason: Reason | None
) -> None:
    seen = seen_device(*([observation] if observation else []))
    (outcome,) = CHECK.judge(seen, NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)


def test_counterexample_cover_and_count() -> None:
    (outcome,) = CHECK.judge(seen_device(listed("192.0.2.0/24", approved=("192.0.2.0/25",))), NoSettings())
    assert outcome.observed.value == {
        "example": "192.0.2.128",
        "cover": ["192.0.2.128/25"],
        "count": 128,
        "entries": ["192.0.2.0/24"],
    }
    assert "128 addresses" in outcome.observed.text
    assert "192.0.2.128/25" in outcome.observed.text


def test_a_long_cover_is_cut_in_the_sentence_and_whole_in_the_value() -> None:
    (outcome,) = CHECK.judge(seen_device(listed("192.0.2.0/24", approved=("192.0.2.10",))), NoSettings())
    assert "and 4 more blocks" in outcome.observed.text
    assert len(outcome.observed.value["cover"]) == 8


def test_each_list_is_a_subject() -> None:
    seen = seen_device(listed("192.0.2.1"), listed("10.0.0.0/8", position=2))
    assert [(o.subject, o.word) for o in CHECK.judge(seen, NoSettings())] == [
        ("list 1", Word.PASS),
        ("list 2", Word.FAIL),
    ]
