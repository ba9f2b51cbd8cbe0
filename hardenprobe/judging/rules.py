"""What observations are judged by."""

from __future__ import annotations

from dataclasses import dataclass, field

from hardenprobe.baseline.selection import Expectations
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.plugins.registry import Registry


@dataclass(frozen=True, kw_only=True)
class JudgingRules:
    """What observations are judged by.

    Attributes:
        baseline: A choice of baselines, or one baseline for every device.
        registry: The checks.
        decisions: What people decided and declared. None leaves what people stated as a stored review has it, and no
            exception runs.
    """

    baseline: Expectations
    registry: Registry
    decisions: Decisions | None = field(default_factory=Decisions)
