"""What stays as it is: made now, and held against what is stored under `data/`.

To change the promise on purpose, make the stored files anew and read the difference before it is committed:

    HARDENPROBE_REWRITE_GOLDEN=1 python -m pytest tests/golden

`data/store-3.db` is never made anew: stores that people have cannot be either. Where the format of stores changes, put
a second one beside it and keep both; `make_store` of test_store.py leaves one, `new.db`, in the folder of its test.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from hardenprobe import cli

DATA = Path(__file__).with_name("data")


@dataclass
class Ended:
    """How a command ended, and what it said."""

    status: int
    out: str
    err: str


@pytest.fixture
def golden() -> Callable[[str, bytes], None]:
    """Hold bytes against a stored file; write the file where the promise is changed on purpose."""

    def hold(name: str, made: bytes) -> None:
        file = DATA / name
        if os.environ.get("HARDENPROBE_REWRITE_GOLDEN") == "1":
            file.write_bytes(made)
        # Lines, so that a failure shows which of them differ.
        assert made.decode().splitlines() == file.read_bytes().decode().splitlines(), (
            f"{name} was promised to stay; how to change it on purpose is in tests/golden/conftest.py"
        )
        assert made == file.read_bytes()

    return hold


@pytest.fixture
def canonical() -> Callable[[Any], bytes]:
    """Write a document as digests are taken over it, said here a second time: keys sorted, no spaces, UTF-8."""

    def write(document: Any) -> bytes:
        text = json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        return text.encode("utf-8", "surrogatepass")

    return write


@pytest.fixture
def command(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Callable[..., Ended]:
    """Run the command line in this process, on a terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))

    def run(*arguments: Any) -> Ended:
        capsys.readouterr()
        status = cli.run([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return Ended(status, out, err)

    return run


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A copy of the stored store."""
    file = tmp_path / "store.db"
    file.write_bytes((DATA / "store-3.db").read_bytes())
    return file
