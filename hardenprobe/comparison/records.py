"""What a comparison says. It mirrors the JSON document `hardenprobe.comparison/1` field for field."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from hardenprobe.model import Device, Endpoint, Severity

FORMAT = "hardenprobe.comparison/1"
Met = Literal["both", "before", "now", "neither"]


class Kind(StrEnum):
    """What became of a finding; what asks for work comes first. The values are those of the document."""

    REOPENED = "came back"
    NEW = "new"
    WORSENED = "worse"
    NOT_ACCEPTED = "counts again"
    NOT_REASSESSED = "not told this time"
    UNCHANGED = "still there"
    IMPROVED = "better"
    ACCEPTED = "accepted"
    NOT_REQUIRED = "no longer required"
    FIXED = "fixed"


ASKS_FOR_WORK = frozenset({Kind.REOPENED, Kind.NEW, Kind.WORSENED, Kind.NOT_ACCEPTED})
OPEN_KINDS = frozenset(Kind) - {Kind.NOT_REQUIRED, Kind.FIXED}
"""What is open in the newer review, as far as is known."""


class Why(StrEnum):
    """What stored data explain a change."""

    DEVICE = "device changed"
    STATEMENT = "statement changed"
    INVENTORY = "inventory changed"
    BASELINE = "baseline changed"
    RULES = "rule-set changed"
    CHECK = "check changed"
    EXCEPTION_BEGAN = "exception began"
    EXCEPTION_ENDED = "exception ended"
    EXCEPTION_LAPSED = "exception lapsed"
    NOT_ASKED = "not asked"
    NOT_REACHED = "not reached"
    NOT_CLEAR = "not clear"
    MOVED = "moved"
    VANTAGE = "asked from elsewhere"
    NOT_REQUIRED = "no longer required"
    UNEXPLAINED = "not explained"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One reason of a change, and a sentence on it."""

    why: Why
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """What one review says of a finding.

    Attributes:
        result: An XCCDF word; "fail" where the finding is open.
        reason: Why it was not determined, a word of records.Reason.
        accepted_until: Last day of the risk acceptance.
    """

    result: str
    reason: str | None = None
    severity: Severity | None = None
    score: float | None = None
    observed: str = ""
    expected: str = ""
    accepted_until: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What became of one finding of one device.

    Attributes:
        finding: Its key where it was seen open last.
        moved_from: Its key in the older review, where it goes on at another place or at a later stage.
        causes: The main one first; empty for what is unchanged.
        first_seen: When it was seen for the first time, in any review of the scope; UTC, ISO 8601.
        open_since: When it was seen for the first time since it was last assessed absent; None for what is fixed.
        last_seen: When it was seen last.
        days_open: Whole days from `open_since` to the newer review.
        due: Last day to fix it, by the baseline's days for its severity; None where it sets none.
        overdue: That day was over when the newer review was made, and no exception runs.
    """

    finding: str
    check: str
    endpoint: Endpoint | None
    subject: str | None
    kind: Kind
    before: Side
    after: Side
    causes: tuple[Cause, ...] = ()
    moved_from: str | None = None
    first_seen: str
    open_since: str | None
    last_seen: str
    days_open: int | None = None
    due: str | None = None
    overdue: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """A fact that differs, whether or not a verdict did.

    Attributes:
        what: Such as "port", "certificate", "firmware", "address".
        where: Such as "443/tcp"; "" for the device as a whole.
        before, after: Device text; None for what was not there.
    """

    what: str
    where: str
    before: str | None
    after: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceChange:
    """One device in both reviews.

    Attributes:
        device: As the newer review has it, else the older one.
        met: In which of them it answered: "both", "before", "now" or "neither".
        told_before, told_now: Results that were determined then and now.
        last_met: When the newest review began in which it answered; None where none is known.
        not_met: Why the newer review did not meet it.
    """

    device: Device
    met: Met
    changes: tuple[Change, ...]
    drift: tuple[Drift, ...]
    told_before: int
    told_now: int
    last_met: str | None = None
    not_met: Cause | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """A review that was compared.

    Attributes:
        finished: None where it did not say.
    """

    id: str
    started: str
    scope: str
    devices: int
    finished: str | None = None


@dataclass(frozen=True, kw_only=True)
class Totals:
    """What a comparison adds up to.

    Attributes:
        kinds: Kind to the number of findings.
        overdue: How many are past their due day.
        devices: "both", "before", "now" and "neither" to the number of devices that answered in both reviews, in one of
            them alone, or in an earlier one.
        drifted: Devices with at least one fact that differs.
        told_before, told_now: Results that were determined then and now.
    """

    kinds: Mapping[Kind, int]
    overdue: int
    devices: Mapping[str, int]
    drifted: int
    told_before: int
    told_now: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A device of the document: what tells it apart, and what changed of it."""

    device: str
    label: str
    addresses: tuple[str, ...]
    met: Met
    told_before: int
    told_now: int
    changes: tuple[Change, ...]
    drift: tuple[Drift, ...]
    last_met: str | None = None
    not_met: Cause | None = None


@dataclass(frozen=True, kw_only=True)
class Document:
    """The whole document."""

    format: Literal["hardenprobe.comparison/1"]
    old: Named
    new: Named
    notices: tuple[str, ...]
    devices: tuple[Entry, ...]
    totals: Totals


def entry(change: DeviceChange) -> Entry:
    """A device as the document has it."""
    device = change.device
    return Entry(
        device=device.id,
        label=device.label,
        addresses=tuple(one.address for one in device.addresses),
        met=change.met,
        told_before=change.told_before,
        told_now=change.told_now,
        changes=change.changes,
        drift=change.drift,
        last_met=change.last_met,
        not_met=change.not_met,
    )
