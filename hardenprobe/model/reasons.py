"""Results that are not determined, and the reasons in words."""

from __future__ import annotations

from hardenprobe.model.observation import Reason
from hardenprobe.model.result import Word

UNTOLD = frozenset({Word.UNKNOWN, Word.ERROR, Word.NOTCHECKED, Word.NOTSELECTED})
"""Results that leave open whether there is a finding."""

REASONS: dict[Reason | None, str] = {
    Reason.SILENT: "no answer arrived in time",
    Reason.DROPPED: "the port drops what is sent to it, while others of the device answer",
    Reason.CEILING: "the limit of connections, bytes or seconds of the device was reached",
    Reason.WINDOW: "the time window had ended",
    Reason.SCOPE: "outside the scope",
    Reason.OFF_LINK: "observable only on the device's own link",
    Reason.NO_CREDENTIAL: "no credential was supplied",
    Reason.REACH: "not authorised at this test level",
    Reason.INCONCLUSIVE: "inconclusive response",
    Reason.CRASHED: "the probe or the check failed",
    Reason.AMBIGUOUS: "a random port is open too, so an open port proves nothing",
    Reason.NOT_SEEN: "not seen in the captured traffic, which proves no absence",
    None: "no reason is recorded",
}
