"""How a type checker sees the public names; `mypy` reads this file beside the package, and nobody runs it."""

from __future__ import annotations

from hardenprobe import Check, Review, Severity, judge, off_tcp
from hardenprobe import scann as no_such_name  # type: ignore[attr-defined]

__all__ = ["Check", "by_check", "no_such_name", "off_tcp", "worst"]


def worst(review: Review) -> Severity | None:
    """The gravest severity of a review's findings."""
    return max((r.severity for r in review.findings if r.severity), default=None)


def by_check(review: Review) -> dict[str, int]:
    """How many findings each check has, judged again."""
    return {check: len(found) for check, found in judge(review).findings_by(lambda r: r.check).items()}
