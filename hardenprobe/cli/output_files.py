"""Where a command writes to: standard output, or a file that is replaced only when all is well."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from hardenprobe.errors import UsageError


@contextmanager
def opened(to: str, option: str) -> Iterator[BinaryIO]:
    """Write beside a file and put it in its place when all is well, so that what was there is never lost to half a report.

    Args:
        to: A file, or "-" for standard output.
        option: What it was given by, for the error.

    Raises:
        UsageError: It cannot be written.
    """
    if to == "-":
        yield sys.stdout.buffer
        return
    whole = Path(to).resolve()
    part = whole.with_name(f".{whole.name}.part")
    try:
        if whole.exists() and not whole.is_file():  # a pipe or a device is written as it is
            with whole.open("wb") as out:
                yield out
            return
        try:
            with part.open("wb") as out:
                yield out
            part.replace(whole)
        finally:
            part.unlink(missing_ok=True)
    except OSError as exc:
        raise UsageError(f"{option} {to}: {exc.strerror}") from exc
