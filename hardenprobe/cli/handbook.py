"""A check as a page of a handbook, for a terminal of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import fields
from typing import Any

from hardenprobe.checking.check import Check
from hardenprobe.cli import CAUTION
from hardenprobe.model import Reach
from hardenprobe.standards.ccss import is_ccss, score, severity

WIDTH = 78
LABEL = 15  # columns before a text
UNGRANTED = "Without --reach {reach} and a scope file that grants it, the result is notchecked."


def page(check: Check[Any], origin: str) -> str:
    """What a check looks for, why, how and at what cost, what its results mean, the remediation, and the sources."""
    return "\n".join(_lines(check, origin))


def _lines(check: Check[Any], origin: str) -> Iterator[str]:
    sections, remedy = check.sections, check.remedy
    yield from _wrapped(check.title)
    yield f"{check.id}, version {check.version}, from {origin}"
    yield from _heading("Why it matters")
    yield from _wrapped(sections["Why it matters"], "  ")
    yield from _heading("How it is asked, and at what cost")
    yield from _wrapped(sections["Reach"], "  ")
    if check.reach in (Reach.STRAIN, Reach.ALTER):
        yield from _wrapped(UNGRANTED.format(reach=check.reach), "  ")
    yield from _labelled("It looks at", ", ".join(facts.kind for facts in check.reads))
    if tuned := ", ".join(field.name for field in fields(check.settings)):
        yield from _labelled("Baselines set", tuned)
    yield from _heading("What a result means")
    for word, heading in (("fail", "Fails when"), ("pass", "Passes when"), ("unknown", "Unknown when")):
        yield from _labelled(word, sections[heading])
    yield from _heading("What a fail weighs")
    for name, vector in check.vectors.items():
        base = score(vector).base
        yield from _labelled(f"{base} {severity(base)}", name or vector)
        if name:
            yield f"  {'':{LABEL}}{vector}"
    systems = {is_ccss(vector) for vector in check.vectors.values()}
    system = (
        "CCSS base score (NIST IR 7502)"
        if True in systems
        else "CVSS version 2 base score, since this is a flaw"
    )
    yield from _wrapped(f"{system}, in the words that the NVD has for CVSS v2.", "  ")
    yield from _heading("Remediation")
    yield from _wrapped(f"{remedy.title}.", "  ")
    for number, step in enumerate(remedy.steps, 1):
        yield from _wrapped(step, f"  {number}. ")
    if remedy.after:
        yield from _labelled("After", ", ".join(remedy.after))
    for label, text in (
        ("Needed first", remedy.needs_first),
        ("Stops working", remedy.stops_working),
        ("Whom to ask", remedy.ask),
        ("Locked out", remedy.lock_out),
        ("To undo it", remedy.undo),
    ):
        yield from _labelled(label, text)
    yield from _heading("How to confirm it")
    yield from _wrapped(remedy.confirm, "  ")
    yield from _heading("Caution")
    yield from _wrapped(CAUTION, "  ")
    yield from _heading("Controls (NIST SP 800-53 Rev. 5)")
    yield from _wrapped(", ".join(check.controls), "  ")
    yield from _heading("Sources")
    for reference in check.references:
        yield from _wrapped(reference, "  ")


def _heading(text: str) -> tuple[str, str]:
    return "", text


def _labelled(label: str, text: str) -> list[str]:
    return _wrapped(text, f"  {label:{LABEL}}")


def _wrapped(text: str, first: str = "") -> list[str]:
    return textwrap.wrap(
        text.strip(), WIDTH, initial_indent=first, subsequent_indent=" " * len(first), break_on_hyphens=False
    )
