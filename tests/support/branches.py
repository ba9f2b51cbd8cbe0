"""The branches of a judge, by name, for tests of checks: what it must say of which observations."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import pytest

from hardenprobe.checking.check import Check, NoSettings
from hardenprobe.model import Observation, Reason, Word
from hardenprobe.testing import seen_device


@dataclass(frozen=True, kw_only=True)
class Branch:
    """What a check must say of some observations.

    Attributes:
        elsewhere: What other vantage points saw of the device.
        on_link: Whether the device is on our link; None leaves it as the builder has it.
        says: What the text must hold.
    """

    observations: tuple[Observation[Any], ...]
    word: Word
    reason: Reason | None = None
    elsewhere: tuple[Observation[Any], ...] = ()
    on_link: bool | None = None
    says: str = ""

    def hold(self, check: Check[Any]) -> None:
        """Assert that the check says so, and rests on nothing else."""
        seen = seen_device(*self.observations, elsewhere=self.elsewhere)
        if self.on_link is not None:
            seen.vantage = replace(seen.vantage, on_link=self.on_link)
        (outcome,) = check.judge(seen, NoSettings())
        assert (outcome.word, outcome.reason) == (self.word, self.reason)
        assert set(outcome.proof) <= {o.id for o in self.observations}
        assert self.says in outcome.observed.text


def each(branches: Mapping[str, Branch]) -> pytest.MarkDecorator:
    """Run a test with every `branch`, under its name."""
    return pytest.mark.parametrize("branch", branches.values(), ids=branches.keys())
