"""A check as `checks new` writes it: bad names change nothing, and its own tests pass as they are."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.devkit import scaffold
from hardenprobe.facts import KINDS
from hardenprobe.plugins import registry

ROOT = Path(__file__).resolve().parents[2]
Command = Callable[..., Any]
TAKEN = frozenset(registry.load(plugins=False).checks)


@pytest.fixture
def own_kinds() -> Iterator[None]:
    """What a plug-in registers is forgotten after the test."""
    before = dict(KINDS)
    yield
    KINDS.clear()
    KINDS.update(before)


def run(*command: str, folder: Path, **env: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *command],
        cwd=folder,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1", **env},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("Ident-Answers", "lower-case words joined by dashes"),
        ("ident", "lower-case words joined by dashes"),
        ("../ident-answers", "lower-case words joined by dashes"),
        ("ident_answers", "lower-case words joined by dashes"),
        ("ident-answers ", "lower-case words joined by dashes"),
        ("ident-answers\n", "lower-case words joined by dashes"),
        ("ïdent-answers", "lower-case words joined by dashes"),
        ("", "lower-case words joined by dashes"),
        ("a-" + "b" * 60, "60 characters at most"),
        ("cleartext-telnet", "there is a check cleartext-telnet already"),
        ("hardenprobe-rule", "choose another"),
    ],
)
def test_a_bad_name_is_refused_and_nothing_is_written(
    name: str, says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from hardenprobe import cli

    inside = tmp_path / "inside"
    inside.mkdir()
    monkeypatch.chdir(inside)
    status = cli.run(["checks", "new", "--", name])

    assert status == 2
    assert says in capsys.readouterr().err
    assert list(tmp_path.rglob("*")) == [inside]


def test_a_folder_that_is_there_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from hardenprobe import cli

    there = tmp_path / "ident-answers"
    there.mkdir()
    (there / "notes.txt").write_text("mine")

    assert cli.run(["checks", "new", "ident-answers", "-o", str(tmp_path)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert [p.name for p in there.iterdir()] == ["notes.txt"]


def test_what_is_written_is_in_order(tmp_path: Path) -> None:
    folder = scaffold.write("queue-names-shown", tmp_path, TAKEN, "package")
    files = [path for path in folder.rglob("*") if path.is_file()]

    assert len(files) == len(scaffold._FILES["package"])
    assert not [path for path in files if "$" in path.read_text()]
    for path in folder.rglob("*.py"):
        compile(path.read_text(), str(path), "exec")
        assert max(map(len, path.read_text().splitlines())) <= 120


WRITTEN: dict[scaffold.Kind, str] = {"check": "example-port", "probe": "example-answer"}
ALLOWED = {"hardenprobe", "hardenprobe.facts", "hardenprobe.testing", "hardenprobe.testing.devices"}


@pytest.mark.parametrize("kind", WRITTEN)
def test_two_files_are_what_the_type_checker_reads(tmp_path: Path, kind: scaffold.Kind) -> None:
    """`mypy` reads tests/devkit/written in every build; where a template changes, copy what it writes there."""
    folder = scaffold.write(WRITTEN[kind], tmp_path, TAKEN, kind)
    read = Path(__file__).with_name("written") / WRITTEN[kind].replace("-", "_")
    assert {f.name: f.read_text() for f in folder.iterdir()} == {
        f.name: f.read_text() for f in read.glob("*.py")
    }
    assert len(list(folder.iterdir())) == 2


def code_lines(text: str) -> int:
    """Lines that are neither blank nor a comment nor a docstring nor a sentence of the remediation; an import counts once."""
    tree, prose = ast.parse(text), set[int]()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Remedy":
            prose |= {one.value.lineno for one in node.keywords if one.arg != "id"}
        if isinstance(node, ast.ImportFrom):
            prose |= set(range(node.lineno + 1, (node.end_lineno or 0) + 1))
        if (
            isinstance(node, ast.Expr)
            and isinstance(node.value, ast.Constant)
            and isinstance(node.value.value, str)
        ):
            prose |= set(range(node.lineno, (node.end_lineno or 0) + 1))
    lines = enumerate(text.splitlines(), 1)
    return sum(1 for n, line in lines if line.strip() and not line.strip().startswith("#") and n not in prose)


@pytest.mark.parametrize(("kind", "setting"), [("check", "= (79,)"), ("probe", "tolerated: bool = False")])
def test_a_check_is_short_and_shows_a_setting(tmp_path: Path, kind: scaffold.Kind, setting: str) -> None:
    texts = [file.read_text() for file in scaffold.write("example-port", tmp_path, TAKEN, kind).iterdir()]
    assert sum(map(code_lines, texts)) <= 60
    assert any("class Settings" in text and setting in text for text in texts)


@pytest.mark.parametrize("kind", scaffold._FILES)
def test_templates_import_what_is_public(tmp_path: Path, kind: scaffold.Kind) -> None:
    for file in scaffold.write("example-port", tmp_path, TAKEN, kind).rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text())):
            module = node.module if isinstance(node, ast.ImportFrom) else None
            assert not (module or "").startswith("hardenprobe") or module in ALLOWED, (file.name, module)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["check", "probe", "package"])
def test_its_tests_and_the_linter_pass_as_it_is_written(tmp_path: Path, kind: scaffold.Kind) -> None:
    folder = scaffold.write("queue-names-shown", tmp_path, TAKEN, kind)
    for linter in (["check"], ["format", "--check"]) if kind != "package" else (["check"],):
        done = run("-m", "ruff", *linter, "--no-cache", ".", folder=folder)
        assert done.returncode == 0, done.stdout
    done = run("-m", "pytest", "-q", "-p", "no:cacheprovider", folder=folder, PYTHONPATH=str(ROOT))

    assert done.returncode == 0, done.stdout
    assert " passed" in done.stdout


@pytest.mark.slow
def test_it_can_be_installed_and_its_check_probe_and_service_are_found(tmp_path: Path) -> None:
    folder = scaffold.write("queue-names-shown", tmp_path, TAKEN, "package")
    site = tmp_path / "site"
    pip = [
        "-m",
        "pip",
        "install",
        "--quiet",
        "--no-deps",
        "--no-build-isolation",
        "--no-index",
        "--target",
        str(site),
    ]
    installed = run(*pip, str(folder), folder=tmp_path)
    assert installed.returncode == 0, installed.stderr

    both = os.pathsep.join([str(ROOT), str(site)])
    listed = run("-m", "hardenprobe", "checks", "list", folder=tmp_path, PYTHONPATH=both)
    assert "(from queue-names-shown 0.1.0)" in listed.stdout
    assert listed.stderr == ""
    program = (
        "from pathlib import Path\n"
        "import queue_names_shown, hardenprobe.plugins.registry\n"
        "from hardenprobe.demo_lab.declarations import load\n"
        "from hardenprobe.testing.devices import lab_device, results\n"
        "assert len(load(Path(queue_names_shown.__path__[0], 'devices.yaml'))) == 3\n"
        "with lab_device({'speaks': 'queue-names-shown'}, folder=Path()) as device:\n"
        "    print(*(r.result for r in results(device.scan('queue-names-shown', plugins=True), 'queue-names-shown')))\n"
    )
    scanned = run("-c", program, folder=tmp_path, PYTHONPATH=both)
    assert scanned.stdout.split() == ["fail"], scanned.stderr


@pytest.mark.slow
@pytest.mark.parametrize(
    ("device", "status", "says"),
    [
        (["--device", "lab:T-0001"], 1, "fail, 113/tcp"),
        (["--device", "lab:T-0003"], 0, "not recognised"),
        (["--device", "lab:T-00001"], 2, "did you mean"),
        (["--device", "T-0001"], 2, "write lab:"),
        ([], 0, "is kept"),
    ],
)
def test_a_check_under_development_is_tried(
    tmp_path: Path, device: list[str], status: int, says: str
) -> None:
    folder = scaffold.write("queue-names-shown", tmp_path, TAKEN, "package")
    file = folder / "queue_names_shown" / "check.py"
    done = run(
        "-m", "hardenprobe", "checks", "try", str(file), *device, folder=tmp_path, PYTHONPATH=str(ROOT)
    )

    assert done.returncode == status, done.stderr
    assert says in done.stdout + done.stderr
    assert max(map(len, done.stdout.splitlines()), default=0) <= 80 or str(tmp_path) in done.stdout


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("    found = False\n", "    import random\n    found = False\n", "imports random"),
        ("    found = False\n", "    return ()\n    found = False\n", "it says nothing"),
        ('Reach\n    ask', "Reach\n    look", "begins Reach with"),
        ("yield off_tcp(seen, EXPECTED, ports=(PORT,))", "raise KeyError(PORT)", "it raises KeyError"),
    ],
)  # fmt: skip
def test_a_check_that_breaks_the_contract_is_told_so(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    old: str,
    new: str,
    says: str,
) -> None:
    from hardenprobe import cli

    name = f"{says.split()[1]}-names-shown".lower()  # each its own kind of facts: they stay in the process
    folder = scaffold.write(name, tmp_path, TAKEN, "package")
    file = folder / name.replace("-", "_") / "check.py"
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new))

    assert cli.run(["checks", "try", str(file)]) == 2
    assert says in capsys.readouterr().out


@pytest.mark.usefixtures("own_kinds")
def test_a_judge_that_breaks_is_shown_with_its_line(tmp_path: Path) -> None:
    from hardenprobe.devkit import trial
    from hardenprobe.reports import trial_screen
    from hardenprobe.testing import sample_review

    file = scaffold.write("broken-port", tmp_path, TAKEN) / "broken_port.py"
    text = file.read_text().replace("    found = False\n", "    found = bool({}['x'])\n")
    file.write_text(text)
    tried = trial.on_review(file, sample_review)
    line = text.splitlines().index("    found = bool({}['x'])") + 1
    assert tried.frames == (f"broken_port.py, line {line}, in judge: found = bool({{}}['x'])",)
    said = "\n".join(trial_screen.lines(tried))
    assert "Where it broke" in said and f"line {line}" in said


@pytest.mark.parametrize("name", ["cleartext_telnet", "tls_weak_key"])
def test_a_check_of_ours_is_tried_where_it_is(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    from hardenprobe import cli

    assert cli.run(["checks", "try", str(ROOT / "checks" / f"{name}.py")]) == 0
    assert "is kept" in capsys.readouterr().out


def test_a_file_that_cannot_be_used_is_said_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from hardenprobe import cli

    file = tmp_path / "check.py"
    file.write_text("CHECK = 5\n")
    assert cli.run(["checks", "try", str(file)]) == 2
    err = capsys.readouterr().err
    assert "cannot be used: expected a Check, got int" in err and err.count("\n") == 1
