"""CCSS against the examples that its publication works out, and its base equation against a second opinion.

Source: NIST IR 7502 (December 2010), section 4 (worked examples), 2.1 and 3.2.1 (values). The examples were read in
public transcriptions of the document.
"""

from __future__ import annotations

from itertools import product

import pytest
from cvss import CVSS2

from hardenprobe.model import Severity
from hardenprobe.plugins import registry
from hardenprobe.standards.ccss import (
    BASE,
    ENVIRONMENTAL,
    TEMPORAL,
    is_ccss,
    read_group,
    score,
    severity,
    whole_vector,
)

EXAMPLES = [
    # section 4: configuration item, vector, base score
    ("CCE-4675-5", "AV:N/AC:L/Au:N/C:N/I:P/A:N/PL:ND/EM:P", 5.0),
    ("CCE-4693-8 denied", "AV:L/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:P", 2.1),
    ("CCE-4693-8 too open", "AV:L/AC:L/Au:N/C:P/I:P/A:P/PL:ND/EM:A", 4.6),
    ("CCE-2786-2", "AV:L/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:A", 2.1),
    ("CCE-2363-0 too short", "AV:L/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:A", 1.2),
    ("CCE-2363-0 too long", "AV:L/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:P", 2.1),
    ("CCE-2366-3 granted", "AV:L/AC:L/Au:N/C:N/I:N/A:C/PL:ND/EM:A", 4.9),
    ("CCE-2366-3 denied", "AV:L/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:A", 2.1),
    ("CCE-4208-5", "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:A", 2.6),
    ("CCE-2519-7 too low", "AV:N/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:P", 5.0),
    ("CCE-2519-7 too high", "AV:N/AC:H/Au:N/C:P/I:P/A:P/PL:U/EM:A", 5.1),
    ("CCE-3171-6", "AV:N/AC:L/Au:N/C:P/I:N/A:P/PL:ND/EM:A", 6.4),
    ("CCE-3047-8 disabled", "AV:L/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:A", 2.1),
    ("CCE-3047-8 enabled", "AV:L/AC:L/Au:N/C:N/I:P/A:N/PL:ND/EM:P", 2.1),
    ("CCE-4191-3 disabled", "AV:L/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:P", 2.1),
    ("CCE-4191-3 enabled", "AV:L/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:A", 2.1),
    ("CCE-3245-8", "AV:N/AC:L/Au:N/C:P/I:P/A:P/PL:ND/EM:P", 7.5),
    ("CCE-2776-3", "AV:L/AC:L/Au:N/C:P/I:P/A:P/PL:U/EM:A", 4.6),
]
LOGON = "AV:L/AC:L/Au:N/C:P/I:P/A:P/PL:U/EM:A"  # section 4.12, CCE-2776-3
LOCAL = "LVP:L/PTV:L/LRL:L/EC:C/EI:C/EA:C/CDP:L/CR:M/IR:M/AR:L"


@pytest.mark.parametrize(("vector", "base"), [e[1:] for e in EXAMPLES], ids=[e[0] for e in EXAMPLES])
def test_base_example(vector: str, base: float) -> None:
    scores = score(vector)
    assert (scores.base, scores.temporal, scores.environmental) == (base, None, None)


def test_temporal_and_environmental_example() -> None:
    scores = score(f"{LOGON}/GEL:L/GRL:M/{LOCAL}")
    assert (scores.base, scores.temporal, scores.environmental) == (4.6, 3.7, 6.1)  # section 4.12


def test_the_example_is_reached_from_what_baseline_and_inventory_would_say() -> None:
    """Section 4.12 once more, its metrics given in two files and out of order; unlike there, EI is left to the inventory."""
    temporal = read_group("GRL:M/GEL:L", TEMPORAL)
    baseline = read_group("LVP:L/PTV:L/LRL:L/EC:C/EA:C/CDP:L/AR:L", ENVIRONMENTAL)
    inventory = read_group("EI:C/IR:M/CR:M", ENVIRONMENTAL)
    assert whole_vector(LOGON, temporal, {**baseline, **inventory}) == f"{LOGON}/GEL:L/GRL:M/{LOCAL}"


def test_environmental_score_without_temporal_group() -> None:
    """The published 6.1 carries GEL:L over; without it the same environment comes to 6.2 (recomputed)."""
    assert score(f"{LOGON}/{LOCAL}").environmental == 6.2


def test_weight_of_environmental_score_looks_at_the_base_impact() -> None:
    """A choice of ours, where the publication is silent: no local impact over a base impact still weighs 1.176."""
    none = "LVP:M/PTV:M/LRL:N/EC:N/EI:N/EA:N/CDP:N/CR:M/IR:M/AR:M"
    assert score(f"AV:N/AC:L/Au:N/C:P/I:P/A:P/PL:ND/EM:A/{none}").environmental == 2.9


def test_base_equation_is_that_of_cvss_v2_for_every_vector() -> None:
    """IR 7502 section 3.2.1 takes CVSS v2's base equation over; the `cvss` package is the second opinion."""
    metrics = ("AV", "AC", "Au", "C", "I", "A")
    scores = set()
    for values in product(*(BASE[m] for m in metrics)):
        vector = "/".join(f"{m}:{v}" for m, v in zip(metrics, values, strict=True))
        ours = score(f"{vector}/PL:ND/EM:A").base
        assert ours == float(CVSS2(vector).base_score), vector
        scores.add(ours)
    assert len(scores) == 76  # recomputed
    assert (min(scores), max(scores)) == (0.0, 10.0)


@pytest.mark.parametrize(
    ("check", "vector", "base"),
    [
        # NVD records of CVE-2014-0160, CVE-2014-0224 and CVE-2017-13099, cvssMetricV2 of nvd@nist.gov, as of 2026-06.
        ("tls-heartbleed", "AV:N/AC:L/Au:N/C:P/I:N/A:N", 5.0),
        ("tls-early-ccs", "AV:N/AC:M/Au:N/C:P/I:P/A:N", 5.8),
        ("tls-rsa-padding-oracle", "AV:N/AC:M/Au:N/C:P/I:N/A:N", 4.3),
    ],
)
def test_a_flaw_has_the_vector_that_the_nvd_publishes(check: str, vector: str, base: float) -> None:
    assert dict(registry.load(plugins=False).checks[check].vectors) == {"": vector}
    assert score(vector).base == base == float(CVSS2(vector).base_score)
    assert not is_ccss(vector)


@pytest.mark.parametrize("vector", ["AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:U", "AV:N/AC:L/Au:N/C:P/I:N/A:N/EM:A"])
def test_half_of_what_makes_a_vector_ccss_is_refused(vector: str) -> None:
    with pytest.raises(ValueError, match="expected the metrics"):
        score(vector)


@pytest.mark.parametrize(
    ("value", "word"),
    [
        (0.0, Severity.LOW),
        (3.9, Severity.LOW),
        (4.0, Severity.MEDIUM),
        (6.9, Severity.MEDIUM),
        (7.0, Severity.HIGH),
        (10.0, Severity.HIGH),
    ],
)
def test_ratings_are_those_of_the_nvd_for_cvss_v2(value: float, word: Severity) -> None:
    """NVD, "Vulnerability Metrics": low 0.0-3.9, medium 4.0-6.9, high 7.0-10.0."""
    assert severity(value) is word


def test_ratings_agree_with_the_second_opinion() -> None:
    for vector in ("AV:L/AC:H/Au:M/C:P/I:N/A:N", "AV:N/AC:M/Au:N/C:P/I:P/A:N", "AV:N/AC:L/Au:N/C:C/I:C/A:C"):
        ours = severity(score(f"{vector}/PL:ND/EM:A").base)
        assert ours == CVSS2(vector).severities()[0].lower()
