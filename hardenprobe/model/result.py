"""What a check says of a device, and the remediation of a fail."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Literal

from hardenprobe.model.decision import Lapsed
from hardenprobe.model.observation import Endpoint, Reason


class Word(StrEnum):
    """The rule results of XCCDF 1.2 (NIST IR 7275 Rev. 4, table of rule-result values).

    Attributes:
        PASS: The exposure is not there.
        FAIL: The exposure is there: a finding.
        ERROR: The probe or the check failed.
        UNKNOWN: Not determined; the reason says why.
        NOTAPPLICABLE: It does not apply to the device.
        NOTCHECKED: The check was not run, such as at a gentler test level.
        NOTSELECTED: Left out of the scan, or not asked for by the baseline.
        INFORMATIONAL: Worth knowing, and no verdict.
    """

    PASS = "pass"
    FAIL = "fail"
    ERROR = "error"
    UNKNOWN = "unknown"
    NOTAPPLICABLE = "notapplicable"
    NOTCHECKED = "notchecked"
    NOTSELECTED = "notselected"
    INFORMATIONAL = "informational"


UNTOLD = frozenset({Word.UNKNOWN, Word.ERROR, Word.NOTCHECKED, Word.NOTSELECTED})
"""Results that leave open whether there is a finding."""


class Severity(StrEnum):
    """The qualitative ratings that the NVD uses with CVSS v2 scores, ordered from low to high."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"

    def __lt__(self, other: str) -> bool:
        return _rank(self) < _rank(other)

    def __le__(self, other: str) -> bool:
        return _rank(self) <= _rank(other)

    def __gt__(self, other: str) -> bool:
        return _rank(self) > _rank(other)

    def __ge__(self, other: str) -> bool:
        return _rank(self) >= _rank(other)


def _rank(severity: str) -> int:
    """0 for the lowest.

    Raises:
        ValueError: It is no severity.
    """
    return tuple(Severity).index(Severity(severity))


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSet:
    """The published rules a result was judged by."""

    name: str
    date: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A sentence for people beside a value for programs."""

    text: str
    value: Any = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted:
    """A risk acceptance: the risk is accepted until a day."""

    id: str
    until: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What a check says of one endpoint and subject of one device.

    Attributes:
        finding: Digest of device, check, endpoint and subject; names it in every review.
        origin: "hardenprobe" for a built-in check, else distribution and version.
        score: CCSS base score of the outcome that was found (of CVSS version 2 for a flaw), None unless the word is fail.
        severity: Rates the base score.
        vector: The vector behind the scores: of CCSS, or for a flaw of CVSS version 2, without PL and EM.
        temporal, environmental: CCSS scores where baseline or inventory give the metrics.
        remedy: Id of the remediation that fixes it, None unless the word is fail.
        observations: Ids of what proves it.
        exception: A note and no verdict: the word stays fail.
        lapsed: The newest exception that covered it once, where none runs now.
    """

    finding: str
    device: str
    check: str
    check_version: str
    origin: str
    endpoint: Endpoint | None
    subject: str | None
    vantage: str
    result: Word
    reason: Reason | None = None
    score: float | None = None
    severity: Severity | None = None
    vector: str | None = None
    temporal: float | None = None
    environmental: float | None = None
    observed: Said
    expected: Said
    remedy: str | None = None
    rule_set: RuleSet | None = None
    controls: tuple[str, ...] = ()
    observations: tuple[str, ...] = ()
    exception: Accepted | None = None
    lapsed: Lapsed | None = None

    @property
    def stands(self) -> bool:
        """A finding without a risk acceptance."""
        return self.result is Word.FAIL and self.exception is None

    @property
    def local_score(self) -> float:
        """The score that says most about this site: environmental, else temporal, else base. It orders the work."""
        told = (self.environmental, self.temporal, self.score)
        return next((one for one in told if one is not None), 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """One change that a technician makes, in general words.

    Attributes:
        id: Stable; several checks may name the same remedy.
        steps: In order.
        confirm: How to see that it worked.
        needs_first: What must exist before.
        stops_working: What the change breaks ("depends on the model").
        ask: Whom to ask first.
        undo: How to go back.
        lock_out: How one could lock oneself out.
        after: Ids of remedies that must come first.
        general: It closes whatever has no remediation of its own: its finding counts only where no other check fails
            for the same port.
    """

    id: str
    title: str
    steps: tuple[str, ...]
    confirm: str
    needs_first: str
    stops_working: str
    ask: str
    undo: str
    lock_out: str
    after: tuple[str, ...] = ()
    general: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckNote:
    """What a stored review keeps of a check, so that it can be read without the check."""

    id: str
    title: str
    version: str
    origin: str
    why: str
    references: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceAdvice:
    """What one device adds to a remediation.

    Attributes:
        device: Id.
        waits_for: Ids of remediations that the same device needs first.
        administration_left: What the device can still be administered by after the change, such as "HTTPS (443/tcp)";
            None where the change takes no means of administration away.
    """

    device: str
    waits_for: tuple[str, ...] = ()
    administration_left: tuple[str, ...] | None = None


Placed = Literal["risk", "prerequisite", "high"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """A remediation in the order of work.

    Attributes:
        rank: 1 is first.
        devices: Ids of the devices that it is for.
        findings: What it closes.
        risk_removed: Sum of the local scores of those findings. It orders the list and says nothing else.
        worst: The worst severity among those findings.
        waits_for: Ids of remediations of this same list that must come first, on at least one device.
        placed: Why it has its rank: the risk that it removes; a prerequisite of the remediation in `placed_before`; or a
            high finding, which goes before remediations of a single device without one.
        placed_before: Id of the remediation that it was moved up to, None where it has its rank by the risk alone.
        on_devices: What single devices add; devices without anything of their own are left out.
    """

    rank: int
    remedy: Remedy
    devices: tuple[str, ...]
    findings: tuple[str, ...]
    risk_removed: float
    worst: Severity
    waits_for: tuple[str, ...] = ()
    placed: Placed = "risk"
    placed_before: str | None = None
    on_devices: tuple[DeviceAdvice, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingDates:
    """When a finding was seen, and by when it is due, as reports show it; a stored review does not hold it.

    Attributes:
        first_seen, open_since, last_seen: UTC, ISO 8601; `open_since` begins anew where it was assessed absent in between.
        due: Last day (UTC) to fix it; None where the baseline sets none.
        overdue: That day was over on the day of the report, and no risk acceptance ran.
    """

    first_seen: str
    open_since: str
    last_seen: str
    due: str | None = None
    overdue: bool = False
