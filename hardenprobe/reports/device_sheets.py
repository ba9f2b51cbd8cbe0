"""The record of an acceptance and that of a retirement, each as one page. Nothing is judged here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from hardenprobe.lifecycle.acceptance import Acceptance, Control, Finding, UndeterminedCheck
from hardenprobe.lifecycle.checklist import POINTS, Answer
from hardenprobe.lifecycle.retirement import Retirement
from hardenprobe.reports.sheet import Section, Sheet
from hardenprobe.reports.text import SEVERITY_NOTE, counted

NONE = (("", "none"),)
NOT_SAID = "not said"


def acceptance(one: Acceptance, digest: str | None = None) -> Sheet:
    """The page of an acceptance.

    Args:
        digest: Of its entry in the ledger, None where it was not kept.
    """
    standing, missing = one.standing(), one.missing()
    unknown = counted(len({u.check for u in one.untold}), "check")
    if digest:
        verdict = f"Accepted into the fleet on {one.on} ({one.id}), {unknown} not determined."
    elif one.refused:
        verdict = f"Not accepted: {counted(len(standing), 'open finding')}, {counted(len(missing), 'point')} missing."
    else:
        verdict = f"Nothing prevents acceptance, {unknown} not determined; nothing is stored yet."
    words = ", ".join(f"{number} {word}" for word, number in one.words.items()) or "no result"
    covered = tuple(
        (f"{f.severity}, {f.score}", f"{f.check} at {f.where}: {f.exception}, until {f.until}")
        for f in one.findings
        if f.exception
    )
    return Sheet(
        title=f"Acceptance of {one.label}",
        verdict=verdict,
        about=(
            *_device(one.device, one.kind, one.make_model, one.addresses),
            ("Requested by", one.requested_by or NOT_SAID),
            ("Accepted by", one.accepted_by or NOT_SAID),
            ("Reason", one.reason or NOT_SAID),
            ("Based on", f"review {one.review}, begun {one.seen_at}"),
            ("Judged by", f"baseline {one.baseline}, SHA-256 {one.baseline_hash}"),
            ("Checked", f"{counted(len(one.checks), 'check')}; results: {words}"),
            *((("Ledger", f"entry {one.id}, SHA-256 {digest}"),) if digest else ()),
        ),
        sections=(
            Section(title="Open findings", rows=tuple(map(_finding, standing)) or NONE),
            Section(title="Missing", rows=tuple(("", line) for line in missing) or NONE),
            Section(title="Findings with a risk acceptance", rows=covered or NONE),
            Section(title="Not determined", rows=_untold(one.untold) or NONE),
            Section(title="Attestations", rows=_stated(one.statements, one.despite) or NONE),
            Section(title="Checks", rows=(("", ", ".join(one.checks) or "none"), ("", SEVERITY_NOTE))),
        ),
    )


def retirement(one: Retirement, missing: Sequence[str], digest: str | None = None) -> Sheet:
    """The page of a retirement.

    Args:
        missing: What prevents it.
        digest: As for `acceptance`.
    """
    answers = ((point.title, _answered(getattr(one.answers, name))) for name, point in POINTS.items())
    ended = ", ".join(one.exceptions)
    if digest:
        verdict = f"Retired from the fleet on {one.on} ({one.id})."
    else:
        verdict = f"Not retired: {counted(len(missing), 'point')} missing."
    return Sheet(
        title=f"Retirement of {one.label}",
        verdict=verdict,
        about=(
            *_device(one.device, one.kind, one.make_model, one.addresses),
            ("Retired by", one.answers.by or NOT_SAID),
            ("Reason", one.answers.reason or NOT_SAID),
            *((("Ledger", f"entry {one.id}, SHA-256 {digest}"),) if digest else ()),
        ),
        sections=(
            *((Section(title="Still to be done", rows=tuple(("", m) for m in missing)),) if missing else ()),
            Section(
                title="What was done",
                rows=(
                    *((title[0].upper() + title[1:], said) for title, said in answers),
                    (
                        "Its risk acceptances",
                        f"{'ended' if digest else 'to be ended'}: {ended}" if ended else "none was running",
                    ),
                    ("Its history", f"kept: {counted(one.reviews, 'review')}, and every entry of the ledger"),
                ),
            ),
            Section(
                title="Allow-lists that admit its address",
                rows=tuple(("", line) for line in one.lists) or NONE,
            ),
            Section(
                title="To check",
                rows=(
                    ("Certificates that it showed", ", ".join(one.serials) or "none was observed"),
                    *(("", note) for note in one.notes()),
                ),
            ),
        ),
    )


def _device(
    id: str, kind: str, make_model: str | None, addresses: Iterable[str]
) -> tuple[tuple[str, str], ...]:
    return (("Device", f"{id}, {kind}, {make_model or 'model not known'}"), ("Address", ", ".join(addresses)))


def _finding(one: Finding) -> tuple[str, str]:
    lapsed = f" ({one.lapsed})" if one.lapsed else ""
    return f"{one.severity}, {one.score}", f"{one.check} at {one.where}: {one.observed}{lapsed}"


def _untold(untold: Iterable[UndeterminedCheck]) -> tuple[tuple[str, str], ...]:
    """One row for each word and reason, so that forty unknowns stay on a page."""
    groups: dict[str, list[str]] = {}
    for one in untold:
        groups.setdefault(f"{one.word}, {one.reason}", []).append(
            f"{one.check} (required)" if one.must else one.check
        )
    return tuple((title, ", ".join(checks)) for title, checks in groups.items())


def _stated(controls: Iterable[Control], despite: Iterable[str]) -> tuple[tuple[str, str], ...]:
    """The answers; points without one are named among what is missing."""
    return tuple(
        (
            one.control,
            f"{one.answer}, by {one.by}, until {one.until} ({one.statement})"
            + (", accepted all the same" if one.control in despite else ""),
        )
        for one in controls
        if one.state == "answered"
    )


def _answered(one: Answer) -> str:
    if one.not_applicable:
        return f"not applicable: {one.not_applicable}"
    said = (one.method, f"serial {one.serial}" if one.serial else "", one.evidence)
    done = "; ".join(filter(None, said))
    return f"{done}; by {one.by or NOT_SAID}, {one.when or NOT_SAID}" if done else "not answered yet"
