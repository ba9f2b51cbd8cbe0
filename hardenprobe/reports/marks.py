"""The mark that stands for what a check says of a device: a shape and a word, so that colour is never the only sign."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hardenprobe.model import Result, Severity, Word

# Of several results in one place the first of these is shown: what needs work, then what could not be told, and a
# pass only where nothing else was said.
_PRECEDENCE = (
    Word.FAIL,
    Word.ERROR,
    Word.UNKNOWN,
    Word.NOTCHECKED,
    Word.INFORMATIONAL,
    Word.PASS,
    Word.NOTAPPLICABLE,
    Word.NOTSELECTED,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One kind of mark.

    Attributes:
        code: One letter, for compact data.
        style: Class of its style.
        meaning: In words.
    """

    code: str
    shape: str
    style: str
    meaning: str


HIGH = Mark(code="h", shape="■", style="fail high", meaning="fails, severity high")
MEDIUM = Mark(code="m", shape="◧", style="fail medium", meaning="fails, severity medium")
LOW = Mark(code="l", shape="□", style="fail low", meaning="fails, severity low")
UNRATED = Mark(code="r", shape="◇", style="fail", meaning="fails, not rated")
ACCEPTED = Mark(code="a", shape="▨", style="accepted", meaning="fails, and an exception runs")
UNKNOWN = Mark(code="u", shape="?", style="unknown", meaning="could not be told")
ERROR = Mark(code="e", shape="×", style="error", meaning="the check or the probe could not finish")
NOTCHECKED = Mark(
    code="n", shape="/", style="notchecked", meaning="not asked: the reach or a grant was missing"
)
PASS = Mark(code="p", shape="·", style="pass", meaning="passes")
INFORMATIONAL = Mark(code="i", shape="i", style="informational", meaning="for information, not rated")
NOTAPPLICABLE = Mark(code="-", shape="–", style="notapplicable", meaning="does not apply")
NONE = Mark(code=" ", shape=" ", style="none", meaning="left out, or no result")

MARKS = (
    HIGH, MEDIUM, LOW, UNRATED, ACCEPTED, UNKNOWN, ERROR, NOTCHECKED, PASS, INFORMATIONAL, NOTAPPLICABLE, NONE,
)  # fmt: skip
"""In the order of a legend."""

STANDING = (HIGH, MEDIUM, LOW, UNRATED)
UNTOLD = (UNKNOWN, ERROR, NOTCHECKED)

_SEVERITIES = {Severity.HIGH: HIGH, Severity.MEDIUM: MEDIUM, Severity.LOW: LOW, None: UNRATED}
_WORDS = {
    Word.ERROR: ERROR,
    Word.UNKNOWN: UNKNOWN,
    Word.NOTCHECKED: NOTCHECKED,
    Word.INFORMATIONAL: INFORMATIONAL,
    Word.PASS: PASS,
    Word.NOTAPPLICABLE: NOTAPPLICABLE,
    Word.NOTSELECTED: NONE,
}


def mark(results: Iterable[Result]) -> Mark:
    """The mark of some results of one check on one device: that of the one which matters most."""
    first = min(results, key=weight, default=None)
    if first is None:
        return NONE
    if first.result is not Word.FAIL:
        return _WORDS[first.result]
    return ACCEPTED if first.exception else _SEVERITIES[first.severity]


def weight(result: Result) -> tuple[int, int, float]:
    """Sort key: the result that matters most comes first."""
    return (_PRECEDENCE.index(result.result), result.exception is not None, -result.local_score)
