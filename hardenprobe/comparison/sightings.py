"""Days: how long a finding has been open, and by when it is due."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from hardenprobe.baseline.baseline import Baseline
from hardenprobe.model import Severity


def days_between(since: str, until: str) -> int:
    """Whole days between two moments in ISO 8601; 0 where the first is the later one."""
    return max(0, (datetime.fromisoformat(until) - datetime.fromisoformat(since)).days)


def due(baseline: Baseline, severity: Severity | None, since: str) -> date | None:
    """The last day to fix a finding, None where the baseline sets no days for its severity."""
    days = getattr(baseline.file.due_days, severity.value) if severity else None
    return None if days is None else datetime.fromisoformat(since).date() + timedelta(days=days)
