"""The mark of a check's result for a device: a shape and a word, so that colour is never the only sign."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hardenprobe.model import Result, Severity, Word

# Of several results in one place the first of these is shown: what needs work, then what is not determined, and a
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


HIGH = Mark(code="h", shape="■", style="fail high", meaning="open finding, high")
MEDIUM = Mark(code="m", shape="▨", style="fail medium", meaning="open finding, medium")
LOW = Mark(code="l", shape="□", style="fail low", meaning="open finding, low")
UNRATED = Mark(code="r", shape="◇", style="fail", meaning="open finding, not rated")
ACCEPTED = Mark(code="a", shape="▦", style="accepted", meaning="finding with a risk acceptance")
UNKNOWN = Mark(code="u", shape="?", style="unknown", meaning="not determined")
ERROR = Mark(code="e", shape="×", style="error", meaning="error in the check or the probe")
NOTCHECKED = Mark(code="n", shape="/", style="notchecked", meaning="not checked at this test level")
PASS = Mark(code="p", shape="·", style="pass", meaning="pass")
INFORMATIONAL = Mark(code="i", shape="i", style="informational", meaning="informational")
NOTAPPLICABLE = Mark(code="-", shape="–", style="notapplicable", meaning="not applicable")
NONE = Mark(code=" ", shape=" ", style="none", meaning="not selected")

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
