"""Texts that are put aside while a scan runs: in a nameless file, so that memory does not grow with them."""

from __future__ import annotations

import os
import tempfile
import weakref
from array import array
from pathlib import Path

from hardenprobe.model.packing import pack, unpack


class Scratch:
    """Texts by number, packed. The file has no name, only this process sees it, and it goes with this object.

    Args:
        folder: Where the file lies; the system's folder for such files by default.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self._places = array("Q")  # of each text where it begins and how long it is
        self._held: dict[int, bytes] = {}
        self._end = 0
        self._file: int | None = None
        try:
            self._file, name = tempfile.mkstemp(prefix="hardenprobe-", dir=folder)
            os.unlink(name)
            weakref.finalize(self, os.close, self._file)
        except OSError:  # nowhere to write: then it costs memory
            pass

    def __len__(self) -> int:
        return len(self._places) // 2

    def add(self, text: str) -> int:
        """Put a text aside.

        Returns:
            Its number: how many there were before.
        """
        number, data = len(self), pack(text)
        try:
            self._write(data)
        except OSError:  # a disk that is full stops a scan, and what was seen last is still to be judged
            self._held[number] = data
        self._places.extend((self._end, len(data)))
        self._end += 0 if number in self._held else len(data)
        return number

    def __getitem__(self, number: int) -> str:
        """A text by its number.

        Raises:
            OSError, ValueError: The disk has lost it.
        """
        held = self._held.get(number)
        if held is None:
            assert self._file is not None
            begin, size = self._places[2 * number : 2 * number + 2]
            held = os.pread(self._file, size, begin)
        return unpack(held)

    def _write(self, data: bytes) -> None:
        if self._file is None:
            raise OSError
        done = 0
        while done < len(data):  # a disk that fills up takes a part
            done += os.pwrite(self._file, data[done:], self._end + done)
