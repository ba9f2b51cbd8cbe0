"""Scores of the Common Configuration Scoring System.

Source: NIST IR 7502 (December 2010), sections 2 and 3. It defines no severity words; the ratings are those that the NVD
uses with CVSS v2 scores, whose base equation is the same. A flaw of an implementation has a vector of CVSS v2: the base
metrics without PL and EM.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from hardenprobe.model import Severity

BASE = {
    "AV": {"L": 0.395, "A": 0.646, "N": 1.0},
    "AC": {"H": 0.35, "M": 0.61, "L": 0.71},
    "Au": {"M": 0.45, "S": 0.56, "N": 0.704},
    "C": {"N": 0.0, "P": 0.275, "C": 0.660},
    "I": {"N": 0.0, "P": 0.275, "C": 0.660},
    "A": {"N": 0.0, "P": 0.275, "C": 0.660},
    # Recorded and in no equation: privilege level, exploitation method.
    "PL": {"R": 0.0, "U": 0.0, "A": 0.0, "ND": 0.0},
    "EM": {"A": 0.0, "P": 0.0},
}
TEMPORAL = {
    "GEL": {"N": 0.6, "L": 0.8, "M": 1.0, "H": 1.2, "ND": 1.0},
    "GRL": {"H": 0.4, "M": 0.6, "L": 0.8, "N": 1.0, "ND": 1.0},
}
ENVIRONMENTAL = {
    "LVP": {"N": 0.6, "L": 0.8, "M": 1.0, "H": 1.2, "ND": 1.0},
    "PTV": {"L": 0.8, "M": 1.0, "H": 1.2, "ND": 1.0},
    "LRL": {"H": 0.4, "M": 0.6, "L": 0.8, "N": 1.0, "ND": 1.0},
    "EC": {**BASE["C"], "ND": -1.0},
    "EI": {**BASE["I"], "ND": -1.0},
    "EA": {**BASE["A"], "ND": -1.0},
    "CDP": {"N": 1.0, "L": 1.25, "LM": 1.5, "MH": 1.75, "H": 2.0, "ND": 1.0},
    "CR": {"L": 0.5, "M": 1.0, "H": 1.51, "ND": 1.0},
    "IR": {"L": 0.5, "M": 1.0, "H": 1.51, "ND": 1.0},
    "AR": {"L": 0.5, "M": 1.0, "H": 1.51, "ND": 1.0},
}
METRICS = {**BASE, **TEMPORAL, **ENVIRONMENTAL}
ONLY_CCSS = ("PL", "EM")  # among the base metrics


@dataclass(frozen=True, slots=True)
class Scores:
    """What a vector comes to; None for a group that it does not hold."""

    base: float
    temporal: float | None
    environmental: float | None


@cache
def score(vector: str) -> Scores:
    """Compute the scores of a CCSS vector.

    Raises:
        ValueError: A metric is unknown, doubled, out of order or has no such value, or a group is incomplete.

    >>> score("AV:N/AC:L/Au:N/C:N/I:P/A:N/PL:ND/EM:P").base
    5.0
    """
    values = parse(vector)
    impact = 10.41 * (1 - (1 - values["C"]) * (1 - values["I"]) * (1 - values["A"]))
    exploitability = 20 * values["AV"] * values["Au"] * values["AC"]
    weight = 1.176 if impact else 0.0
    base = _equation(impact, exploitability, weight)
    temporal = environmental = None
    if "GEL" in values:
        hot = min(10.0, exploitability * values["GEL"] * values["GRL"])
        temporal = _equation(impact, hot, weight)
    if "LVP" in values:
        local = values["LVP"] * values["PTV"]
        easy = min(10.0, exploitability * values.get("GEL", 1.0) * local * values["LRL"])
        left = 1.0
        for metric, need, general in (("EC", "CR", "C"), ("EI", "IR", "I"), ("EA", "AR", "A")):
            share = values[general] if values[metric] < 0 else values[metric]
            left *= 1 - share * values[need]
        harm = min(10.0, 10.41 * (1 - left) * values["CDP"])
        # The publication does not say which impact the weight looks at; ours is the base impact.
        environmental = _equation(harm, easy, weight)
    return Scores(base, temporal, environmental)


def parse(vector: str) -> dict[str, float]:
    """Read a vector into the numbers of its metrics.

    Raises:
        ValueError: As for `score`.
    """
    given: dict[str, float] = {}
    for part in vector.split("/"):
        metric, _, value = part.partition(":")
        if metric not in METRICS or value not in METRICS[metric]:
            raise ValueError(f"CCSS vector {vector!r}: {part!r} is no metric with such a value")
        if metric in given:
            raise ValueError(f"CCSS vector {vector!r}: {metric} is repeated")
        given[metric] = METRICS[metric][value]
    expected = list(BASE) if is_ccss(vector) else [metric for metric in BASE if metric not in ONLY_CCSS]
    if "GEL" in given:
        expected += TEMPORAL
    if "LVP" in given:
        expected += ENVIRONMENTAL
    if list(given) != expected:
        raise ValueError(f"CCSS vector {vector!r}: expected the metrics {', '.join(expected)} in this order")
    return given


def read_group(text: str, known: Mapping[str, Mapping[str, float]]) -> dict[str, str]:
    """Read some metrics of one group, in any order, such as "CDP:LM/CR:H"; "" holds none.

    Args:
        known: The group: TEMPORAL or ENVIRONMENTAL.

    Raises:
        ValueError: A metric is not of the group, has no such value, or is repeated.
    """
    given: dict[str, str] = {}
    for part in text.split("/") if text else ():
        metric, _, value = part.partition(":")
        if metric not in known:
            raise ValueError(f"{part!r} is none of the metrics {', '.join(known)}; write as in CDP:LM/CR:H")
        if value not in known[metric]:
            raise ValueError(f"{part!r}: {metric} is one of {', '.join(known[metric])}")
        if metric in given:
            raise ValueError(f"{metric} is repeated")
        given[metric] = value
    return given


def whole_vector(base: str, temporal: Mapping[str, str], environmental: Mapping[str, str]) -> str:
    """Write the groups behind a base vector in the publication's order; an empty group is left out, a gap is ND."""
    parts = [base]
    for group, given in ((TEMPORAL, temporal), (ENVIRONMENTAL, environmental)):
        parts += [f"{metric}:{given.get(metric, 'ND')}" for metric in group] if given else []
    return "/".join(parts)


def base_of(vector: str | None) -> str | None:
    """The base part of a vector."""
    return (
        "/".join(part for part in vector.split("/") if part.partition(":")[0] in BASE) if vector else vector
    )


def is_ccss(vector: str) -> bool:
    """Whether a vector is of CCSS, for configurations; otherwise of CVSS version 2, for flaws."""
    return any(f"/{metric}:" in vector for metric in ONLY_CCSS)


def severity(value: float) -> Severity:
    """Rate a score by the ranges that the NVD uses with CVSS v2: low below 4.0, medium below 7.0, high above."""
    if value < 4.0:
        return Severity.LOW
    return Severity.MEDIUM if value < 7.0 else Severity.HIGH


def _equation(impact: float, exploitability: float, weight: float) -> float:
    raw = (0.6 * impact + 0.4 * exploitability - 1.5) * weight
    return max(0.0, round(raw + 1e-9, 1))
