"""Opens a source of use, plain or packed by gzip (RFC 1952), to be read from its beginning to its end."""

from __future__ import annotations

import gzip
import io
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from hardenprobe.errors import FileInvalid

PIECE = 1 << 20  # bytes read at once


class Input:
    """A file that is being read.

    Attributes:
        name: As the caller named it.
    """

    def __init__(self, file: IO[bytes], name: str, packed: _Packed | None = None) -> None:
        self.file = file
        self.name = name
        self.read = file.read
        self._packed = packed

    @property
    def damage(self) -> str | None:
        """What is wrong with a packed file, as far as it was read."""
        return self._packed.damage if self._packed else None

    def begins(self, size: int) -> bytes:
        """Up to so many bytes of what comes next, which are not taken."""
        return self.file.peek(size)[:size] if isinstance(self.file, io.BufferedReader) else b""


class _Packed(io.RawIOBase):
    """What a gzip file holds; one that is damaged ends there."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = gzip.GzipFile(fileobj=file)
        self.damage: str | None = None

    def readable(self) -> bool:
        return True

    def readinto(self, into: Any) -> int:
        try:
            data = self._file.read1(len(into))
        except (EOFError, zlib.error, gzip.BadGzipFile) as exc:
            self.damage = f"its gzip layer is damaged ({type(exc).__name__})"
            return 0
        into[: len(data)] = data
        return len(data)


@contextmanager
def opened(path: Path) -> Iterator[Input]:
    """Open a file.

    Raises:
        FileInvalid: It cannot be read.
    """
    try:
        with io.BufferedReader(io.FileIO(path), PIECE) as plain:
            if plain.peek(2)[:2] != b"\x1f\x8b":
                yield Input(plain, str(path))
                return
            packed = _Packed(plain)
            with io.BufferedReader(packed, PIECE) as file:
                yield Input(file, str(path), packed)
    except OSError as exc:
        raise FileInvalid(str(path), None, f"cannot be read: {exc.strerror or exc}") from exc
