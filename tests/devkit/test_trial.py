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
from hardenprobe.facts import KINDS, ProbeFault
from hardenprobe.model import Observation, Review
from hardenprobe.plugins import registry
from hardenprobe.reports import trial_screen
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
        kept.save(observed(at(113, answer(reply="1, 1 : ERROR : NO-USER", recognised=True))))
    # As in a new process: nobody knows the file's facts yet.
    del KINDS["own-answer-answer"]
    for name in [name for name, one in sys.modules.items() if getattr(one, "__file__", None) == str(plugin)]:
        del sys.modules[name]

    status = cli.run(["checks", "try", str(plugin), "--review", "latest", "--store", str(store)])

    said = capsys.readouterr()
    assert (status, said.err) == (1, ""), said
    assert "fail, 113/tcp" in said.out
    assert "own-answer-answer, reply 1, 1 : ERROR : NO-USER, recognised" in said.out


@pytest.mark.parametrize(
    ("reason", "text", "word"),
    [
        ("crashed", "MalformedReply: no colon", "error, the device as a whole"),
        ("inconclusive", "no colon", "unknown, the device as a whole"),
    ],
)
def test_a_reply_that_cannot_be_read_is_told_with_its_place_and_fault(
    plugin: Path, reason: str, text: str, word: str
) -> None:
    fault = ProbeFault(probe="own-answer", kinds=("own-answer-answer",), reason=reason, text=text)
    tried = trial.on_review(plugin, lambda: observed(at(113, fault)))
    said = " ".join("\n".join(trial_screen.lines(tried)).split())
    assert word in said
    assert f"not obtained, probe own-answer: {text}: 113/tcp" in said
    assert "observed not determined at 113/tcp: " in said and said.count(text) == 2
    assert "expected not: " not in said


@pytest.mark.slow
@pytest.mark.parametrize("named", [True, False])
def test_a_port_that_the_probe_does_not_name_is_said_to_be_unlooked(plugin: Path, named: bool) -> None:
    if not named:
        text = plugin.read_text()
        line = 'PROBE = question("own-answer", PORT, QUESTION, read, Answer)\n'
        assert line in text
        plugin.write_text(
            text.replace(
                line, f"import dataclasses\n\n{line}PROBE = dataclasses.replace(PROBE, tcp_ports={{}})\n"
            )
        )
    said = " ".join("\n".join(trial_screen.lines(trial.on_device(plugin, "lab:RP-0101"))).split())
    told = "113/tcp was not looked at, since probe own-answer names no tcp_ports: add tcp_ports={113: 'own-answer'}"
    assert (told in said) is not named
