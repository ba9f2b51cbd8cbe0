"""A browser to open reports in."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip


@pytest.fixture
def browse(tmp_path: Path) -> Callable[[Path], str]:
    """Return a function that opens a file in a browser and gives the document as it stands after its scripts ran."""
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("needs the Debian package chromium")

    def opened(file: Path) -> str:
        done = subprocess.run(
            [program, *FLAGS, f"--user-data-dir={tmp_path / 'profile'}", "--dump-dom", file.as_uri()],
            capture_output=True,
            timeout=50,
            check=True,
        )
        return done.stdout.decode("utf-8")

    return opened
