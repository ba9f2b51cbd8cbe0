"""Writing a bag: BagIt 1.0 (RFC 8493) in a zip file, as a stream.

The same payload always gives the same bytes: no time of packing is kept, and manifests are sorted.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
import tempfile
import zipfile
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from hardenprobe.errors import UsageError

ALGORITHMS = ("sha256", "sha512")
DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"  # RFC 8493 section 2.1.1
SIGNED = "tagmanifest-sha512.txt"
SIGNATURE = "signature.p7s"
TOKEN = "timestamp.tst"
TIME_REQUEST = "timestamp.tsq"
APART = frozenset({SIGNATURE, TOKEN, TIME_REQUEST, *(f"tagmanifest-{name}.txt" for name in ALGORITHMS)})
"""Tag files that no manifest lists: they are about the tag manifests, or are those."""

BLOCK = 1 << 16  # bytes
FIXED = (1980, 1, 1, 0, 0, 0)  # the earliest time that a zip file can hold
MODE = 0o100644 << 16


@dataclass
class Sums:
    """Digests and length of what passes by."""

    size: int = 0
    _made: dict[str, Any] = field(default_factory=lambda: {name: hashlib.new(name) for name in ALGORITHMS})

    def add(self, data: bytes) -> None:
        self.size += len(data)
        for one in self._made.values():
            one.update(data)

    def hex(self, algorithm: str) -> str:
        return str(self._made[algorithm].hexdigest())


class _Summed(io.RawIOBase):
    """Sums up what is written through it, to a stream below where there is one; closing it leaves that open."""

    def __init__(self, below: Any, sums: Sums) -> None:
        self._below, self._sums = below, sums

    def writable(self) -> bool:
        return True

    def write(self, data: Any, /) -> int:
        plain = bytes(data)
        self._sums.add(plain)
        if self._below is not None:
            self._below.write(plain)
        return len(plain)


@contextmanager
def _summed(below: Any, sums: Sums) -> Iterator[BinaryIO]:
    """A stream into `_Summed`, by the block: parts write a line at a time."""
    out = io.BufferedWriter(_Summed(below, sums), BLOCK)
    yield out
    if not out.closed:
        out.flush()


class Payload(ABC):
    """Where the parts of a bag are written to: a bag, or what only sums them up."""

    @abstractmethod
    def file(self, path: str, *, packed: bool = True) -> AbstractContextManager[BinaryIO]:
        """Write one file.

        Args:
            path: Below `data/`; letters, digits, dots, dashes, underscores and slashes.
            packed: False for what other people made: a file of nothing but zeros would look like a zip bomb.
        """

    def json(self, path: str, value: Any) -> None:
        """Write one file of plain JSON types, in ASCII, which does nothing to a terminal."""
        with self.file(path) as out:
            out.write(
                json.dumps(value, indent=1, sort_keys=True).encode("ascii").replace(b"\x7f", b"\\u007f")
            )
            out.write(b"\n")


class Derived(Payload):
    """Sums up what is written, and keeps none of it.

    Attributes:
        sums: By path, `data/` before it.
        values: What was written by `json`, by the same paths.
    """

    def __init__(self) -> None:
        self.sums: dict[str, Sums] = {}
        self.values: dict[str, Any] = {}

    def json(self, path: str, value: Any) -> None:
        self.values[f"data/{path}"] = value
        super().json(path, value)

    @contextmanager
    def file(self, path: str, *, packed: bool = True) -> Iterator[BinaryIO]:
        sums = self.sums[f"data/{path}"] = Sums()
        with _summed(None, sums) as out:
            yield out


class BagWriter(Payload):
    """A bag that is being written. Use `writing`."""

    def __init__(self, archive: zipfile.ZipFile, folder: str) -> None:
        self._archive = archive
        self._folder = folder
        self._sums: dict[str, Sums] = {}

    @contextmanager
    def file(self, path: str, *, packed: bool = True) -> Iterator[BinaryIO]:
        with self._entry(f"data/{path}", packed=packed) as out:
            yield out

    @contextmanager
    def _entry(self, name: str, *, packed: bool = True) -> Iterator[BinaryIO]:
        if name in self._sums:
            raise ValueError(f"{name} was written before")
        info = zipfile.ZipInfo(f"{self._folder}/{name}", FIXED)
        info.create_system, info.external_attr = 3, MODE
        info.compress_type = zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED
        sums = self._sums[name] = Sums()
        with self._archive.open(info, "w", force_zip64=True) as below, _summed(below, sums) as out:
            yield out

    def _tag(self, name: str, data: bytes) -> bytes:
        with self._entry(name) as out:
            out.write(data)
        return data

    def finish(
        self,
        about: Mapping[str, str],
        sign: Callable[[bytes], bytes] | None,
        tags: Mapping[str, bytes] | None = None,
    ) -> str:
        """Write the tag files, and the signature.

        Args:
            about: Label to value, for `bag-info.txt`.
            tags: More tag files, by name.
            sign: Makes a detached signature over the bytes that it is given.

        Returns:
            The digest of the bag: SHA-512 of its tag manifest, in hex.
        """
        payload = {name: sums for name, sums in self._sums.items() if name.startswith("data/")}
        oxum = f"{sum(one.size for one in payload.values())}.{len(payload)}"
        self._tag("bagit.txt", DECLARATION)
        for name, data in (tags or {}).items():
            self._tag(name, data)
        self._tag("bag-info.txt", info_text({**about, "Payload-Oxum": oxum}))
        for name in ALGORITHMS:
            self._tag(f"manifest-{name}.txt", manifest(payload, name))
        listed = {name: sums for name, sums in self._sums.items() if name not in payload}
        self._tag("tagmanifest-sha256.txt", manifest(listed, "sha256"))
        written = self._tag(SIGNED, manifest(listed, "sha512"))
        if sign:
            self._tag(SIGNATURE, sign(written))
        return hashlib.sha512(written).hexdigest()


def manifest(files: Mapping[str, Sums], algorithm: str) -> bytes:
    """A manifest: a line for each file, sorted by name (RFC 8493 section 2.1.3)."""
    return "".join(f"{files[name].hex(algorithm)}  {name}\n" for name in sorted(files)).encode()


def info_text(about: Mapping[str, str]) -> bytes:
    """`bag-info.txt` (RFC 8493 section 2.2.2): one line a label; a value stays on its line."""
    return "".join(f"{key}: {' '.join(value.split())}\n" for key, value in about.items()).encode()


@contextmanager
def writing(path: Path, folder: str) -> Iterator[BagWriter]:
    """Write a bag; what was there before stays until all of it is written.

    Args:
        folder: Name of the one folder in the zip file.

    Raises:
        UsageError: The file cannot be written.
    """
    with replacing(path) as out, zipfile.ZipFile(out, "w") as archive:
        yield BagWriter(archive, folder)


def append(bag: Path, folder: str, files: Mapping[str, bytes]) -> None:
    """Put tag files that no manifest lists into a bag; it stays as it was until the new one is complete.

    Raises:
        UsageError: It cannot be written.
    """
    with replacing(bag) as out:
        with bag.open("rb") as file:
            shutil.copyfileobj(file, out)
        with zipfile.ZipFile(out, "a") as archive:
            for name, data in files.items():
                info = zipfile.ZipInfo(f"{folder}/{name}", FIXED)
                info.create_system, info.external_attr = 3, MODE
                archive.writestr(info, data)


@contextmanager
def replacing(path: Path) -> Iterator[BinaryIO]:
    """A new file that takes the place of `path` once it is whole.

    Raises:
        UsageError: It cannot be written.
    """
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    except OSError as exc:
        raise UsageError(f"-o {path}: {exc.strerror}") from exc
    try:
        with os.fdopen(handle, "w+b") as out:
            yield out
            out.flush()
            os.fsync(out.fileno())
        os.replace(name, path)
    except OSError as exc:
        raise UsageError(f"-o {path}: {exc.strerror or exc}") from exc
    finally:
        with suppress(OSError):
            os.unlink(name)
