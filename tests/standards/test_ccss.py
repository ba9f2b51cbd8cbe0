"""How CCSS vectors are read; their published scores are in published/test_ccss.py."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.model import Severity
from hardenprobe.standards.ccss import BASE, ENVIRONMENTAL, METRICS, TEMPORAL, parse, score, severity

PLAIN = "AV:N/AC:L/Au:N/C:P/I:P/A:P/PL:ND/EM:A"


@pytest.mark.parametrize(
    ("vector", "complaint"),
    [
        ("", "no metric"),
        ("AV:N", "expected the metrics AV, AC"),
        (PLAIN.replace("AV:N", "AV:X"), "'AV:X' is no metric"),
        (PLAIN.replace("AV:N", "av:N"), "'av:N' is no metric"),
        (PLAIN + "/AV:N", "AV is repeated"),
        (PLAIN.replace("AV:N/AC:L", "AC:L/AV:N"), "in this order"),
        (PLAIN + "/GEL:L", "GEL, GRL in this order"),
        (PLAIN + "/GRL:L", "in this order"),
        (PLAIN + "/LVP:L", "LVP, PTV"),
        (PLAIN + "/", "no metric"),
        (PLAIN + "\n", "no metric"),
    ],
)
def test_a_wrong_vector_is_refused(vector: str, complaint: str) -> None:
    with pytest.raises(ValueError) as caught:
        score(vector)
    assert complaint in str(caught.value)


def group(metrics: dict[str, dict[str, float]]) -> st.SearchStrategy[str]:
    parts = [st.sampled_from([f"{m}:{v}" for v in values]) for m, values in metrics.items()]
    return st.tuples(*parts).map("/".join)


vectors = st.tuples(group(BASE), st.none() | group(TEMPORAL), st.none() | group(ENVIRONMENTAL)).map(
    lambda groups: "/".join(g for g in groups if g)
)


@given(vectors)
def test_every_vector_scores_between_0_and_10(vector: str) -> None:
    scores = score(vector)
    assert (scores.temporal is None) is ("GEL:" not in vector)
    assert (scores.environmental is None) is ("LVP:" not in vector)
    for value in (scores.base, scores.temporal, scores.environmental):
        assert value is None or (0.0 <= value <= 10.0 and round(value, 1) == value)


@given(group(BASE))
def test_privilege_and_method_are_in_no_equation(vector: str) -> None:
    head = vector[: vector.index("/PL:")]
    assert len({score(f"{head}/PL:{p}/EM:{e}").base for p in BASE["PL"] for e in BASE["EM"]}) == 1


@given(group(BASE), st.sampled_from(["AV", "AC", "Au", "C", "I", "A"]))
def test_a_graver_value_never_lowers_the_score(vector: str, metric: str) -> None:
    parts = dict(part.split(":") for part in vector.split("/"))
    ordered = sorted(BASE[metric], key=lambda v: BASE[metric][v])
    scores = [score("/".join(f"{m}:{v}" for m, v in (parts | {metric: one}).items())).base for one in ordered]
    assert all(low <= high for low, high in pairwise(scores))


@given(group(BASE))
def test_undefined_groups_change_nothing(vector: str) -> None:
    """ND stands for "not defined": the base score comes out again."""
    whole = score(f"{vector}/GEL:ND/GRL:ND/" + "/".join(f"{m}:ND" for m in ENVIRONMENTAL))
    assert whole.temporal == whole.base
    assert whole.environmental == pytest.approx(whole.base, abs=0.11)  # capped and rounded twice


@given(st.text(max_size=60) | st.lists(st.sampled_from(sorted(METRICS))).map("/".join))
def test_whatever_is_written_is_read_or_refused(text: str) -> None:
    try:
        parse(text)
    except ValueError as error:
        assert "CCSS vector" in str(error)


@given(st.floats(0, 10))
def test_severity_is_one_of_three_words(value: float) -> None:
    assert severity(value) in set(Severity)
