"""Long lines on a terminal."""

from __future__ import annotations

import shutil
import sys
import textwrap


def folded(line: str, indent: int = 4) -> str:
    """On a terminal a long line goes on below, further in; for a pipe it stays one line.

    Args:
        indent: Columns that what goes on is further in.
    """
    if not sys.stdout.isatty():
        return line
    width = shutil.get_terminal_size().columns
    return textwrap.fill(
        line, width, subsequent_indent=" " * indent, break_long_words=False, break_on_hyphens=False
    )
