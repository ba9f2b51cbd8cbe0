"""Trying a check under development: what was stored of facts of its own is judged as the scan saw it."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hardenprobe import cli
from hardenprobe.devkit import scaffold, trial
from hardenprobe.facts import KINDS
from hardenprobe.model import Observation, Review
from hardenprobe.plugins import registry
from hardenprobe.store import opening
from hardenprobe.testing import at, sample_review

TAKEN = frozenset(registry.load(plugins=False).checks)


@pytest.fixture
def own_kinds() -> Iterator[None]:
    """What a plug-in registers is forgotten after the test."""
    before = dict(KINDS)
    yield
    KINDS.clear()
    KINDS.update(before)


@pytest.fixture
def plugin(tmp_path: Path, own_kinds: None) -> Path:
    """A check with a probe and facts of its own."""
    return scaffold.write("own-answer", tmp_path, TAKEN, "probe") / "own_answer.py"


def observed(*seen: Observation[Any]) -> Review:
    """A review of one device that showed this beside the rest."""
    review = sample_review(1)
    (device,) = review.devices
    where = {"address": device.addresses[0].address}
    more = tuple(
        replace(
            one, endpoint=one.endpoint and replace(one.endpoint, **where), vantage=review.vantages[0].name
        )
        for one in seen
    )
    return replace(review, observations={device.id: (*review.observations.get(device.id, ()), *more)})


def test_stored_facts_of_a_plugin_are_read_by_its_file(
    plugin: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    answer = trial.alone(plugin).check.reads[1]
    store = tmp_path / "store.sqlite"
    with opening.opened(str(store)) as kept:
        kept.save(observed(at(113, answer(reply="1, 1 : ERROR : NO-USER"))))
    # As in a new process: nobody knows the file's facts yet.
    del KINDS["own-answer-answer"]
    for name in [name for name, one in sys.modules.items() if getattr(one, "__file__", None) == str(plugin)]:
        del sys.modules[name]

    status = cli.run(["checks", "try", str(plugin), "--review", "latest", "--store", str(store)])

    said = capsys.readouterr()
    assert (status, said.err) == (1, ""), said
    assert "fail, 113/tcp" in said.out
    assert "own-answer-answer, reply 1, 1 : ERROR : NO-USER" in said.out
