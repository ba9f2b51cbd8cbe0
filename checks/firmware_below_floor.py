"""The firmware is below the minimum required version for its model.

Fails when
    The version that the device states is below the minimum required version of a rule whose pattern fits the model; each component is a
    subject of its own.
Passes when
    The stated version is the minimum or later.
Unknown when
    Neither the device nor the inventory states a model, or the device no version that the rule's pattern and order can read.
Reach
    ask: what SNMP, the print service and the web server state anyway.
Why it matters
    Vulnerabilities that the manufacturer has fixed and published stay exploitable.
Sources
    NIST SP 800-53 Rev. 5, SI-2; NIST SP 800-40 Rev. 4
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from hardenprobe import (
    Check,
    DeviceView,
    Observation,
    Outcome,
    Reason,
    Word,
    fail,
    inapplicable,
    passed,
    unknown,
)
from hardenprobe.checking.views.firmware import MinimumVersion, later
from hardenprobe.facts import HttpAnswer, IppPrinter, SnmpAnswer, SnmpObjects
from hardenprobe.model import Said
from hardenprobe.remediation.fleet import FIRMWARE_UPDATE


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Minimum required versions; of several that fit, each is judged."""

    floors: tuple[MinimumVersion, ...]


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Decide rule by rule, by the first text that states a version."""
    expected = "the firmware is at the minimum required version for its model, or later"
    if not expect.floors:
        yield inapplicable("the baseline has no minimum version", expected)
        return
    texts = list(_texts(seen))
    model = " ".join([seen.device.make_model or "", *(text for _, text in texts)])
    fitting = [f for f in expect.floors if re.search(f.model, model)]
    if not fitting:
        known = not model.strip()
        text = (
            "the device does not state its model"
            if known
            else "the baseline has no minimum version for this model"
        )
        yield Outcome(
            word=Word.UNKNOWN if known else Word.NOTAPPLICABLE,
            observed=Said(text=text),
            expected=Said(text=expected),
            reason=Reason.INCONCLUSIVE if known else None,
        )
    for floor in fitting:
        yield _one(seen, floor, texts)


def _one(seen: DeviceView, floor: MinimumVersion, texts: list[tuple[Observation[Any], str]]) -> Outcome:
    expected = f"{floor.component} is {floor.floor} or later"
    found = ((o, m[1]) for o, text in texts if (m := re.search(floor.version, text)))
    one, version = next(found, (None, ""))
    if one is None:
        return Outcome(
            word=Word.UNKNOWN,
            observed=Said(text=f"the model fits, and no version of {floor.component} is stated"),
            expected=Said(text=expected),
            subject=floor.component,
            reason=Reason.INCONCLUSIVE,
        )
    compared = later(version, floor.floor, floor.order, floor.known)
    text = f"{floor.component} is {version!r}"
    if compared is None:
        return unknown(
            one, f"{text}, which cannot be read as {floor.order}", expected, subject=floor.component
        )
    judged = fail if compared < 0 else passed
    return judged(one, text, expected, value=version, wanted=floor.floor, subject=floor.component)


def _texts(seen: DeviceView) -> Iterator[tuple[Observation[Any], str]]:
    """What the device states of itself, SNMP first."""
    for answer in seen.of(SnmpAnswer):
        for value in (answer.facts.values or {}).values():
            yield answer, value
    for objects in seen.of(SnmpObjects):
        yield from ((objects, text) for text in (objects.facts.description, objects.facts.model) if text)
    for printer in seen.of(IppPrinter):
        yield printer, printer.facts.make_and_model or ""
        # The attribute's name says that it is firmware, and the text need not.
        yield from ((printer, f"{name} firmware {one}") for name, one in printer.facts.firmware_by_name)
    for page in seen.of(HttpAnswer):
        yield from ((page, text) for text in (page.facts.server, page.facts.title) if text)


CHECK = Check(
    id="firmware-below-floor",
    document=__doc__,
    reads=(SnmpAnswer, SnmpObjects, IppPrinter, HttpAnswer),
    judge=judge,
    settings=Settings,
    # Which flaws are open depends on the release; some use of one is assumed.
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:A/EM:A"},
    remedy=FIRMWARE_UPDATE,
    controls=("SI-2", "SI-2(2)"),
    worse="older",
    version="2",
)
