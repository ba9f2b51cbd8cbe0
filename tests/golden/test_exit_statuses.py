"""How a command ends, the first that holds: 70 a bug of ours; 2 wrong usage or bad input; 3 incomplete; 1 a finding stands; 0.

The reviews are those of `reviews()` in test_store.py. The statuses are a promise to scripts, so they are written here and
nowhere made.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import click
import pytest

import hardenprobe
from hardenprobe import cli
from hardenprobe.store.upgrade import upgrade

Command = Callable[..., Any]

ERRING = '''"""A rule of the site.

Fails when
    x
Passes when
    x
Unknown when
    x
Reach
    look: nothing is sent.
Why it matters
    x
Sources
    x
"""
from hardenprobe import Check, Reach, Remedy, facts

def judge(seen, expect):
    raise KeyError("x")

CHECK = Check(id="site-rule", document=__doc__, reads=(facts.TcpPort,), judge=judge, controls=("CM-7",), reach=Reach.LOOK,
              vectors={"": "AV:N/AC:L/Au:N/C:N/I:P/A:N/PL:ND/EM:A"},
              remedy=Remedy(id="x-off", title="X", steps=("x",), confirm="x", needs_first="x", stops_working="x", ask="x",
                            undo="x", lock_out="x"))
'''


@pytest.fixture
def store(store: Path) -> Path:
    """The stored store, brought to the format that can be written."""
    upgrade(str(store))
    return store


@pytest.mark.parametrize(
    ("review", "status"),
    [
        ("20260501-clean", 0),
        ("20260501-finding", 1),
        ("20260501-interrupted", 3),
        ("20260501-unfinished", 3),
        ("20260501-missed", 3),
        ("20260501-nobody", 3),
        ("20260501-missed-and-finding", 3),
        ("latest-of-all", 2),
    ],
)
def test_of_what_was_seen(command: Command, store: Path, review: str, status: int) -> None:
    ended = command("judge", review, "--no-plugins", "--store", store)
    assert ended.status == status, ended.err


def test_of_a_device_that_erred(command: Command, store: Path, tmp_path: Path) -> None:
    folder = tmp_path / "rules"
    folder.mkdir()
    (folder / "site_rule.py").write_text(ERRING)
    judge = ("judge", "20260501-clean", "--no-plugins", "--store", store)
    assert command(*judge, "--checks-from", folder).status == 3
    assert command(*judge).status == 0


def test_of_a_check_that_must_be_determined(command: Command, store: Path, tmp_path: Path) -> None:
    text = (Path(__file__).parents[2] / "baselines" / "office-device.yaml").read_text(encoding="utf-8")
    assert "\nmust_determine" not in text
    baseline = tmp_path / "mine.yaml"
    judge = ("judge", "20260501-clean", "--no-plugins", "--store", store, "--baseline", baseline)
    baseline.write_text(text)
    assert command(*judge).status == 0
    baseline.write_text(f'{text}\nmust_determine: ["cleartext-telnet"]\n')
    assert command(*judge).status == 3


def test_of_findings_that_are_accepted(command: Command, store: Path, tmp_path: Path) -> None:
    judge = ("judge", "20260501-finding", "--no-plugins", "--store", store)
    assert command(*judge).status == 1
    failed = {r.check for r in hardenprobe.load_review(store=str(store)).findings}
    until = datetime.now(UTC).date() + timedelta(days=20)
    for check in failed:
        added = command(
            "exception", "add", "--device", "HO-0101", "--check", check, "--reason", "r", "--compensating", "c",
            "--requested-by", "Imke Sandvoort", "--approved-by", "Morag Kerr", "--until", until, "--store", store,
        )  # fmt: skip
        assert added.status == 0, added.err
    assert command(*judge).status == 0


@pytest.mark.parametrize(
    "arguments",
    [[], ["scam"], ["--nonsense"], ["scan"], ["report", "latest"], ["checks", "show", "cleartext-telent"],
     ["scan", "192.0.2.1"], ["scan", "127.0.0.1", "--scope", "/not/there.yaml"], ["scan", "127.0.0.1/99"],
     ["reviews", "--store", "/not/there.db"]],
    ids=" ".join,
)  # fmt: skip
def test_of_the_callers_mistakes(command: Command, arguments: list[str]) -> None:
    ended = command(*arguments)
    assert (ended.status, ended.out) == (2, "")


@pytest.mark.parametrize(
    ("error", "status"),
    [(KeyboardInterrupt(), 3), (click.Abort(), 3), (ZeroDivisionError("x"), 70), (OSError(5, "x"), 70)],
    ids=lambda value: type(value).__name__,
)  # fmt: skip
def test_of_what_happens_to_a_command(
    command: Command, monkeypatch: pytest.MonkeyPatch, error: BaseException, status: int
) -> None:
    def raising(**_: object) -> int:
        raise error

    found = cli.cli.get_command(click.Context(cli.cli), "reviews")
    assert found is not None
    monkeypatch.setattr(found, "callback", raising)
    ended = command("reviews")
    assert (ended.status, ended.out, "Traceback" in ended.err) == (status, "", False)
    assert (status == 70) == bool(re.search(r"\.txt", ended.err))
