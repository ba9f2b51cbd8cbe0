"""A scan for a test, from a plan."""

from __future__ import annotations

from typing import Any

from hardenprobe.baseline.selection import Expectations
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.planning.plan import Plan
from hardenprobe.plugins.registry import Registry
from hardenprobe.scanning.job import ScanJob


def job_and_rules(
    *, plan: Plan, baseline: Expectations, registry: Registry, decisions: Decisions | None = None, **job: Any
) -> tuple[ScanJob, JudgingRules]:
    """What `library.scan_and_judge` takes.

    Args:
        job: Other fields of the job.
    """
    rules = JudgingRules(baseline=baseline, registry=registry, decisions=decisions or Decisions())
    return ScanJob.of(plan, registry, **job), rules
