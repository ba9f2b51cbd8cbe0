"""Rows of a table that people export as CSV, with a line number for every complaint."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence

from hardenprobe.errors import FileInvalid


def rows(lines: Iterable[str], file: str, delimiter: str = ",") -> Iterator[tuple[int, list[str]]]:
    """The rows that are neither empty nor a remark (# in front), their cells stripped, each with its line.

    Args:
        lines: With their ends as they are in the file.

    Raises:
        FileInvalid: They are no CSV.
    """
    reader = csv.reader(lines, delimiter=delimiter)
    try:
        for row in reader:
            cells = [cell.strip() for cell in row]
            if any(cells) and not cells[0].startswith("#"):
                yield reader.line_num, cells
    except csv.Error as exc:
        raise FileInvalid(file, reader.line_num, f"not CSV: {exc}") from exc


def named(header: Sequence[str], cells: Sequence[str], file: str, line: int) -> dict[str, str]:
    """The cells of a row by the names of their columns.

    Raises:
        FileInvalid: There are more or fewer of them than columns.
    """
    if len(cells) != len(header):
        raise FileInvalid(file, line, f"{len(cells)} cells where the header has {len(header)}")
    return dict(zip(header, cells, strict=True))
