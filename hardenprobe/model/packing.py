"""Texts in few bytes: a device's observations take a tenth of their JSON, since protocols and keys repeat.

Source: RFC 8878 (Zstandard), by the library of that name.
"""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from zstandard import ZstdCompressor, ZstdDecompressor

LARGEST = (
    1 << 28
)  # bytes that one text may take; a device has some 300 kB, and what a file claims is not believed
_LEVEL = 1  # of 1 to 22: 3 saves nothing of such texts and holds more; 6 saves a twentieth, in three times the time
_ours = threading.local()


def pack(text: str) -> bytes:
    """A text, compressed."""
    return _compressor().compress(text.encode())


def unpack(data: bytes | str) -> str:
    """A packed text as it was; a text that was never packed as it is.

    Raises:
        ValueError: It is none, or claims to be larger than `LARGEST`.
    """
    if isinstance(data, str):
        return data
    from zstandard import ZstdError, frame_content_size

    try:
        if not 0 <= frame_content_size(data) <= LARGEST:
            raise ValueError("no packed text of a known size")
        return _decompressor().decompress(data).decode()
    except ZstdError as exc:
        raise ValueError(f"no packed text: {exc}") from None


def _compressor() -> ZstdCompressor:
    """That of this thread: each has a megabyte of its own, and is used by one thread at a time."""
    if not hasattr(_ours, "compressor"):
        from zstandard import ZstdCompressor

        _ours.compressor = ZstdCompressor(level=_LEVEL)
    made: ZstdCompressor = _ours.compressor
    return made


def _decompressor() -> ZstdDecompressor:
    if not hasattr(_ours, "decompressor"):
        from zstandard import ZstdDecompressor

        _ours.decompressor = ZstdDecompressor()
    made: ZstdDecompressor = _ours.decompressor
    return made
