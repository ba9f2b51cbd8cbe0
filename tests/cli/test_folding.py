"""A long line goes on below on a terminal, and stays one line in a pipe."""

from __future__ import annotations

import sys

import pytest

from hardenprobe.cli.folding import folded

LINE = "  why       " + " ".join(["word"] * 40) + " " + "f" * 128


def test_a_pipe_gets_one_line() -> None:
    assert folded(LINE) == LINE


def test_a_terminal_gets_lines_that_fit_but_for_words_that_do_not(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    lines = folded(LINE, 12).splitlines()
    assert [line.strip() for line in lines if len(line) > 80] == ["f" * 128]
    assert all(line.startswith(" " * 12) for line in lines[1:])
    assert " ".join(" ".join(lines).split()) == " ".join(LINE.split())
