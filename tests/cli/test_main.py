"""The command line as a whole: help, exit statuses, and that nobody ever reads a traceback."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click
import pytest

from hardenprobe import __version__, cli
from hardenprobe.cli import reviews
from hardenprobe.errors import CeilingReached, FileInvalid, UsageError

ROOT = Path(__file__).parents[2]


def pages(command: click.Command, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Every command and group, as the words that lead to it."""
    yield path
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            found = command.get_command(context, name)
            assert found is not None, name
            yield from pages(found, (*path, name))


PAGES = list(pages(cli.cli))


def test_the_commands_are_those_of_the_contract() -> None:
    assert {path[0] for path in PAGES if path} >= {
        "baseline", "checks", "demo", "judge", "lab", "report", "reviews", "scan", "scope",
    }  # fmt: skip


@pytest.mark.parametrize("path", PAGES, ids=lambda path: " ".join(path) or "hardenprobe")
@pytest.mark.parametrize("flag", ["--help", "-h"])
def test_every_help_page(command: Callable[..., Any], path: tuple[str, ...], flag: str) -> None:
    ended = command(*path, flag)
    assert ended.status == 0
    assert ended.out.startswith(f"Usage: hardenprobe {' '.join(path)}".rstrip())
    assert ended.err == ""


def test_help_says_what_must_be_known_before_a_scan(command: Callable[..., Any]) -> None:
    said = " ".join(command("--help").out.split())
    assert cli.CAUTION in said


def test_version(command: Callable[..., Any]) -> None:
    ended = command("--version")
    assert (ended.status, ended.out) == (0, f"hardenprobe, version {__version__}\n")


@pytest.mark.parametrize(
    "arguments",
    [[], ["scam"], ["--nonsense"], ["scan"], ["checks", "shwo"], ["report", "latest"], ["lab", "start", "--port-offset", "x"],
     ["lab", "start", "--fleet", "2", "--hostile"]],
    ids=" ".join,
)  # fmt: skip
def test_wrong_usage(command: Callable[..., Any], arguments: list[str]) -> None:
    ended = command(*arguments)
    assert (ended.status, ended.out) == (2, "")
    assert "Usage: hardenprobe" in ended.err


def raising(error: BaseException) -> Callable[..., int]:
    def callback(**_: object) -> int:
        raise error

    return callback


def test_bug_of_ours_names_a_file_and_shows_no_traceback(
    command: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reviews.command, "callback", raising(ZeroDivisionError("our own mistake")))
    ended = command("reviews")
    assert (ended.status, ended.out) == (70, "")
    assert "our own mistake" not in ended.err
    (name,) = re.findall(r"in (\S+\.txt)", ended.err)
    written = Path(name).read_text()
    assert "Traceback (most recent call last)" in written
    assert "ZeroDivisionError: our own mistake" in written


def test_a_machine_without_memory_is_no_bug(
    command: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reviews.command, "callback", lambda **_: bytearray(1 << 62))
    ended = command("reviews")
    assert (ended.status, ended.out) == (3, "")
    assert "no memory left" in ended.err and "scan --resume latest" in ended.err


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (UsageError("the caller's mistake"), 2),
        (FileInvalid("scope.yaml", 7, "the caller's mistake"), 2),
        (CeilingReached("the caller's mistake"), 2),
        (click.UsageError("the caller's mistake"), 2),
        (click.FileError("x", "the caller's mistake"), 2),
        (KeyboardInterrupt(), 3),
        (click.Abort(), 3),
        (RecursionError("x"), 70),
        (AssertionError("x"), 70),
        (OSError(5, "x"), 70),
    ],
    ids=lambda value: type(value).__name__,
)
def test_status_of_each_kind_of_error(
    command: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, error: BaseException, status: int
) -> None:
    monkeypatch.setattr(reviews.command, "callback", raising(error))
    ended = command("reviews")
    assert (ended.status, ended.out) == (status, "")
    assert status != 2 or "the caller's mistake" in ended.err


def python(*arguments: str, **more: Any) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(
        [sys.executable, *arguments],
        stderr=subprocess.PIPE,
        text=True,
        timeout=30,
        check=False,
        env=environment,
        **more,
    )


@pytest.mark.slow
def test_module_runs_as_a_program() -> None:
    done = python("-m", "hardenprobe", "checks", "show", "cleartext-telent", stdout=subprocess.PIPE)
    assert (done.returncode, done.stdout) == (2, "")
    assert "did you mean cleartext-telnet" in done.stderr


@pytest.mark.slow
def test_reader_that_has_gone_is_no_bug() -> None:
    read, write = os.pipe()
    os.close(read)
    try:
        done = python("-m", "hardenprobe", "checks", "list", "--no-plugins", stdout=write)
    finally:
        os.close(write)
    assert done.returncode == 3
    assert done.stderr == ""


@pytest.mark.slow
def test_help_loads_no_command() -> None:
    """Whoever only reads help does not wait for the libraries."""
    script = (
        "import sys; from hardenprobe import cli; cli.run(['--help'])\n"
        "heavy = {'sqlalchemy', 'pydantic', 'httpx', 'pysnmp', 'cryptography', 'rich', 'scapy', 'sslyze'}\n"
        "sys.exit(str(heavy & sys.modules.keys()) if heavy & sys.modules.keys() else 0)"
    )
    done = python("-c", script, stdout=subprocess.PIPE)
    assert done.returncode == 0, done.stderr
