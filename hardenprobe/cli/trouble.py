"""What happens on a bug in hardenprobe: tracebacks go to files, and no user reads one."""

from __future__ import annotations

import logging
import tempfile
import traceback
from pathlib import Path

import click


def report_bug() -> None:
    """Write the current exception to a file of its own and name it."""
    text = traceback.format_exc()
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="hardenprobe-", suffix=".txt", delete=False, encoding="utf-8"
        ) as out:
            out.write(text)
        where = Path(out.name)
    except OSError:
        click.echo(text, err=True)
        return
    click.echo(
        f"hardenprobe: this is a bug in hardenprobe; the traceback is in {where}, please report it", err=True
    )


def log_to_file() -> None:
    """Send the tracebacks of broken probes and checks to a log file, which is made when the first one comes."""
    log = logging.getLogger("hardenprobe")
    if not log.handlers:
        log.propagate = False
        log.addHandler(_LateFile())


class _LateFile(logging.Handler):
    @property
    def baseFilename(self) -> str:  # as the handlers of `logging` name it
        """The file that is written to."""
        from platformdirs import user_log_path

        return str(user_log_path("hardenprobe", appauthor=False) / "hardenprobe.log")

    def emit(self, record: logging.LogRecord) -> None:
        file = Path(self.baseFilename)
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            with file.open("a", encoding="utf-8") as out:
                out.write(f"{self.format(record)}\n")
        except OSError:
            pass  # a log that cannot be kept must not stop a scan
