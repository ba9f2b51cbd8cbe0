"""Texts in few bytes: a device's observations take a tenth of their JSON, since protocols and keys repeat.

Source: RFC 8878 (Zstandard), by the library of that name.
"""

from __future__ import annotations

LARGEST = (
    1 << 28
)  # bytes that one text may take; a device has some 300 kB, and what a file claims is not believed
_LEVEL = 3  # of 1 to 22: 6 saves a twentieth of the bytes, and takes three times as long


def pack(text: str) -> bytes:
    """A text, compressed."""
    from zstandard import ZstdCompressor

    return ZstdCompressor(level=_LEVEL).compress(text.encode())


def unpack(data: bytes | str) -> str:
    """A packed text as it was; a text that was never packed as it is.

    Raises:
        ValueError: It is none, or claims to be larger than `LARGEST`.
    """
    if isinstance(data, str):
        return data
    from zstandard import ZstdDecompressor, ZstdError, frame_content_size

    try:
        if not 0 <= frame_content_size(data) <= LARGEST:
            raise ValueError("no packed text of a known size")
        return ZstdDecompressor().decompress(data).decode()
    except ZstdError as exc:
        raise ValueError(f"no packed text: {exc}") from None
