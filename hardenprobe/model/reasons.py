"""What tells nothing, and why, in words."""

from __future__ import annotations

from hardenprobe.model.observation import Reason
from hardenprobe.model.result import Word

UNTOLD = frozenset({Word.UNKNOWN, Word.ERROR, Word.NOTCHECKED, Word.NOTSELECTED})
"""Results that say nothing of whether a finding is there."""

REASONS: dict[Reason | None, str] = {
    Reason.SILENT: "no answer came back in time",
    Reason.DROPPED: "the port drops what is sent to it, while others of the device answer",
    Reason.CEILING: "the ceiling of connections, bytes or seconds of the device was reached",
    Reason.WINDOW: "the time window had ended",
    Reason.SCOPE: "it lies outside the scope",
    Reason.OFF_LINK: "it can only be seen from the device's own link",
    Reason.NO_CREDENTIAL: "no credential was given for it",
    Reason.REACH: "it goes further than this scan was allowed to go",
    Reason.INCONCLUSIVE: "the answer proves neither the one nor the other",
    Reason.CRASHED: "the probe or the check could not finish",
    Reason.AMBIGUOUS: "a random port accepts too, so accepting proves nothing",
    None: "no reason is recorded",
}
