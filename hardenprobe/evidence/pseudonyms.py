"""Names in place of names: the same value always gets the same one, and only who holds the key can tell which is whose."""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import stat
from pathlib import Path

from hardenprobe.errors import FileInvalid

LEAST = 32  # bytes of a key
_SHOWN = (
    16  # hex digits of a pseudonym: two of 100,000 values share one at odds of one to four thousand million
)


class Pseudonyms:
    """Pseudonyms under one key: HMAC-SHA-256 (RFC 2104) of what a value is and the value, cut."""

    def __init__(self, key: bytes) -> None:
        self._key = key

    def of(self, kind: str, value: str) -> str:
        """The pseudonym of a value, such as `address-3f9c...`; letter case does not count."""
        plain = f"{kind}\0{value.casefold()}".encode("utf-8", "surrogatepass")
        return f"{kind}-{hmac.new(self._key, plain, hashlib.sha256).hexdigest()[:_SHOWN]}"

    def maybe(self, kind: str, value: str | None) -> str | None:
        return None if value is None else self.of(kind, value)


def load(path: Path) -> Pseudonyms:
    """Read a key file, and make it where there is none.

    Raises:
        FileInvalid: It cannot be read or made, is too short, or others may read it.
    """
    try:
        if not path.exists():
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "wb") as out:
                out.write(secrets.token_hex(LEAST).encode() + b"\n")
        if path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
            raise FileInvalid(str(path), None, "others on this machine may read it; run chmod 600 on it")
        key = path.read_bytes().strip()
    except OSError as exc:
        raise FileInvalid(str(path), None, f"cannot be read or made: {exc.strerror}") from exc
    if len(key) < LEAST:
        raise FileInvalid(str(path), None, f"has {len(key)} bytes; a key of pseudonyms has {LEAST} at least")
    return Pseudonyms(key)
