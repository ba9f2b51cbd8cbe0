"""Make a review of what was observed, or another one of what a stored review holds."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from hardenprobe.baseline.selection import NOT_MEANT
from hardenprobe.decisions.device_register import SEEN_AGAIN, STILL_LISTED
from hardenprobe.judging.judge_rows import fleets_of, judged_part, shared_values_of
from hardenprobe.judging.judgement import Judgement
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model import Review
from hardenprobe.model.observed import Observed
from hardenprobe.model.review import new_id
from hardenprobe.model.review_rows import RowFile, review_of
from hardenprobe.model.versions import versions
from hardenprobe.plugins.registry import Registry


def judge(observed: Observed, rules: JudgingRules) -> Review:
    """Judge what a scan observed, a device at a time; touches no network."""
    outline, registry = observed.outline(), rules.registry
    shown = (shared_values_of(part, registry) for part in observed.rows)
    judgement = Judgement(
        outline, rules.baseline, registry, rules.decisions, fleets_of(shown, outline, registry)
    )
    rows = RowFile(observed.texts)
    for part in observed.rows:
        rows.add(judged_part(part, judgement))
    return review_of(judgement.outline(), rows)


def rejudge(review: Review, rules: JudgingRules, only: Iterable[str] = ()) -> Review:
    """Judge a review anew, as a review of its own; a stored one is judged by store/rejudge.py, and never held whole.

    Args:
        only: As for `renewed`.
    """
    return judged(renewed(review, rules.registry, only), rules)


def judged(review: Review, rules: JudgingRules) -> Review:
    """The review with the results of its observations; the given one stays as it was."""
    judgement = Judgement(review, rules.baseline, rules.registry, rules.decisions)
    devices, observations, results = judgement.part(review.devices, review.observations)
    return replace(judgement.outline(), devices=devices, observations=observations, results=results)


def renewed(review: Review, registry: Registry, only: Iterable[str] = ()) -> Review:
    """A review to be judged anew, under a name of its own.

    Checks that did not exist when it was scanned are judged as well: they are unknown where nothing was observed.

    Args:
        only: Ids of the checks that judge it; all that may, by default.

    Raises:
        UnknownName: One of them is no check.
    """
    known = {note.id for note in review.checks}
    fresh = {c for c in registry.checks if c not in known}
    asked = (
        registry.select(only)
        if (only := tuple(only))
        else {*review.head.selected, *fresh} & set(registry.checks)
    )
    head = replace(
        review.head,
        id=new_id(),
        judged_from=review.head.judged_from or review.head.id,
        previous=None,
        previous_digest=None,
        selected=tuple(sorted(asked)),
        versions=versions(),
        inputs=tuple(one for one in review.head.inputs if one.role not in ("baseline", "rule-set")),
    )
    # What was said of the baselines that judged it before, and of the ledger as it was, is said no more.
    over = (NOT_MEANT, SEEN_AGAIN, STILL_LISTED)
    notices = tuple(n for n in review.notices if not any(words in n for words in over))
    return replace(review, head=head, notices=notices)
