"""README.md and the handbook: every command in them is run, with the files that they show."""

from __future__ import annotations

import doctest
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
LINKED = re.findall(r"\]\((hardenprobe/handbook/([\w-]+\.md))\)", README)
PAGES = {name: (ROOT / path).read_text(encoding="utf-8") for path, name in LINKED}
BLOCKS = [
    block
    for text in (README, *PAGES.values())
    for block in re.findall(r"^```(\w+)\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
]
COMMANDS = [line for kind, text in BLOCKS if kind == "sh" for line in text.splitlines()]
TWO, OTHERS = COMMANDS[:2], list(dict.fromkeys(COMMANDS[2:]))


def run(command: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a command with this environment's interpreter, in a folder of its own."""
    words = shlex.split(command)
    assert words[0] in ("hardenprobe", "openssl")
    if words[0] == "hardenprobe":
        words = [sys.executable, "-P", "-m", *words]
    return subprocess.run(
        words,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "80"},
        capture_output=True,
        text=True,
        timeout=150,
        check=False,
    )


def labels(screen: str) -> set[str]:
    """The words of a screen without its figures, which differ from run to run."""
    return {word for word in re.split(r"[\W\d_]+", screen) if word}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The files that README and the handbook show, and what the demo leaves."""
    made = tmp_path_factory.mktemp("readme")
    for kind, text in BLOCKS:
        if kind in ("yaml", "csv"):
            name = text.splitlines()[0].removeprefix("# ")
            (made / name).write_text(text, encoding="utf-8")
    return made


def test_the_two_commands_are_those_that_the_build_runs() -> None:
    """Running them here would run this test again; the build runs them word for word."""
    build = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    install, demo = TWO[0].rsplit(" && ", 1)

    assert demo == ".venv/bin/hardenprobe demo"
    assert install in build
    assert demo in build
    assert TWO[1] in build


def test_readme_is_read_in_five_minutes() -> None:
    assert len(README.splitlines()) <= 200


def test_readme_links_every_page_of_the_handbook() -> None:
    assert set(PAGES) == {path.name for path in (ROOT / "hardenprobe" / "handbook").iterdir()}


@pytest.mark.slow
def test_the_library_does_what_it_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    examples = "\n".join(text for kind, text in BLOCKS if kind == "python")
    told = doctest.DocTestParser().get_doctest(examples, {}, "README.md", "README.md", 0)
    runner = doctest.DocTestRunner()
    runner.run(told)

    assert runner.tries > 4 and not runner.failures


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_every_other_command_does_what_it_says(folder: Path) -> None:
    demo = run("hardenprobe demo", folder)
    assert demo.returncode == 1, demo.stderr
    (excerpt,) = (text for kind, text in BLOCKS if kind == "text")
    assert not labels(excerpt) - labels(demo.stdout)
    assert (folder / "hardenprobe-demo" / "report.html").stat().st_size > 100_000

    for command in OTHERS:
        done = run(command, folder)
        # Two listed devices of the lab are switched off, the list shown is a wrong one, and no scan was left unfinished.
        status = {"judge": 3, "allowlist": 1}.get(command.split()[1], 2 if "--resume" in command else 0)
        if "evidence verify hardenprobe-demo" in command:  # the demo's bag is not signed
            status = 3
        assert done.returncode == status, f"{command}: {done.stderr}"
        assert "Traceback" not in done.stderr
    assert (folder / "report.html").is_file()
    assert (folder / "findings.csv").is_file()
    assert (folder / "review.json").is_file()
