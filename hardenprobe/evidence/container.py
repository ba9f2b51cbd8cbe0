"""Reading a zip file that anybody may have made: checked whole before a byte of it is unpacked.

What other programs could read otherwise than this one is refused: names that are no plain relative path, that come twice or
differ by letter case alone, links, modes beyond a plain file's, encrypted or overlapping entries, bytes between entries, counts,
sizes and dates that are said twice and differ, ends of the list that are not needed, and bombs.
"""

from __future__ import annotations

import re
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO

from hardenprobe.errors import UsageError, clip

MOST_FILES = (
    300_000  # a fleet of 100,000 devices has that many transcripts; the list of them takes some 200 MB
)
MOST_RATIO = 200  # of all files to the zip file; text packs 5 to 30 times, a bomb 1,000 times
FREE = 256 * 1024 * 1024  # bytes that any zip file may unpack to
CHUNK = 1024 * 1024

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*(?:/[A-Za-z0-9][A-Za-z0-9._-]*)+")
_LONGEST = 255
_LOCAL = struct.Struct("<4s5H3L2H")  # APPNOTE 4.3.7: local file header
_LISTED = 46  # bytes of an entry in the list, but for its name and its extra field
_END = struct.Struct("<4s4H2LH")  # APPNOTE 4.3.16: end of central directory record
_END64 = struct.Struct("<4sQ2H2L4Q")  # APPNOTE 4.3.14: the same of ZIP64
_LOCATOR = struct.Struct("<4sLQL")  # APPNOTE 4.3.15: where that is
_FULL16, _FULL32 = 0xFFFF, 0xFFFFFFFF  # APPNOTE 4.4.1.4: look into the ZIP64 field
_NEWEST = 45  # APPNOTE 4.4.3.2: version needed for ZIP64; nothing above is written
_ZIP64 = 1  # APPNOTE 4.5.3; the only extra field that changes nothing about a name
_BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, ValueError, struct.error)


class BagRefused(UsageError):
    """A file is no bag, or not one that can be read safely."""


class Broken(Exception):
    """The bytes of one file cannot be unpacked."""


@dataclass(frozen=True)
class Container:
    """An open zip file that was found safe to read.

    Attributes:
        folder: The one folder that holds everything.
        names: Every file, without that folder.
    """

    folder: str
    names: frozenset[str]
    _archive: zipfile.ZipFile

    def chunks(self, name: str) -> Iterator[bytes]:
        """The bytes of a file, a piece at a time.

        Raises:
            Broken: They cannot be unpacked.
        """
        try:
            with self._archive.open(f"{self.folder}/{name}") as file:
                while data := file.read(CHUNK):
                    yield data
        except _BROKEN as exc:
            raise Broken(str(exc)) from exc

    def document(self, name: str) -> Iterator[bytes]:
        """The bytes of a file that is to be read, a piece at a time.

        Raises:
            BagRefused: It is not there, or its bytes cannot be unpacked.
        """
        if name not in self.names:
            raise BagRefused(f"the bag holds no {name}")
        try:
            yield from self.chunks(name)
        except Broken as exc:
            raise BagRefused(f"{name} cannot be unpacked: {exc}") from exc

    def unpack(self, folder: Path) -> None:
        """Write every file into a new folder.

        Raises:
            BagRefused: The folder is there already or cannot be written, or a file cannot be unpacked. What was
                written before stays.
        """
        try:
            folder.mkdir()
            for name in sorted(self.names):
                path = folder / name
                path.parent.mkdir(parents=True, exist_ok=True)
                with path.open("xb") as out:
                    out.writelines(self.document(name))
        except OSError as exc:
            raise BagRefused(f"-o {folder}: {exc.strerror}") from exc

    def size(self, name: str) -> int:
        """How many bytes a file is said to have."""
        return self._archive.getinfo(f"{self.folder}/{name}").file_size

    def read(self, name: str, most: int) -> bytes:
        """A small file.

        Raises:
            Broken: It is larger than `most` bytes, or cannot be unpacked.
        """
        if self.size(name) > most:
            raise Broken(f"it has more than {most} bytes")
        return b"".join(self.chunks(name))


@contextmanager
def opened(path: Path) -> Iterator[Container]:
    """Open a bag.

    Raises:
        UsageError: The file cannot be read.
        BagRefused: It is no bag, or not one that can be read safely; says why.
    """
    try:
        with path.open("rb") as file:
            try:
                archive = zipfile.ZipFile(file)
                folder = _checked(archive, file)
            except (*_BROKEN, RecursionError) as exc:
                raise BagRefused(f"{path} is no zip file that can be read: {exc}") from exc
            except BagRefused as exc:
                raise BagRefused(f"{path}: {exc}") from None
            with archive:
                names = frozenset(info.filename.partition("/")[2] for info in archive.filelist)
                yield Container(folder, names, archive)
    except OSError as exc:
        raise UsageError(f"{path} cannot be read: {exc.strerror}") from exc


def _checked(archive: zipfile.ZipFile, file: IO[bytes]) -> str:
    entries = archive.filelist
    if not entries:
        raise BagRefused("it is empty")
    if len(entries) > MOST_FILES:
        raise BagRefused(f"it holds {len(entries)} files, more than {MOST_FILES}")
    size = file.seek(0, 2)
    total = sum(info.file_size for info in entries)
    if total > max(FREE, MOST_RATIO * size):
        raise BagRefused(f"its {size} bytes would unpack to {total}")
    if archive.comment:
        raise BagRefused("it carries a comment")
    known: dict[str, str] = {}
    for info in entries:
        if wrong := _wrong(info):
            raise BagRefused(f"entry {clip(info.orig_filename)} {wrong}")
        alike = known.setdefault(info.filename.casefold(), info.filename)
        if alike != info.filename:
            raise BagRefused(f"entries {clip(alike)} and {clip(info.filename)} differ by letter case alone")
    if len(known) != len(entries):
        raise BagRefused("it holds two entries of one name")
    parts = {part for name in known for part in _folders(name)}
    if found := next((name for name in known if name in parts), None):
        raise BagRefused(f"entry {clip(found)} is a file and a folder")
    folders = {info.filename.partition("/")[0] for info in entries}
    if len(folders) != 1:
        raise BagRefused("it holds more than one folder")
    _in_order(archive, file)
    return folders.pop()


def _folders(name: str) -> Iterator[str]:
    while "/" in name:
        name = name.rpartition("/")[0]
        yield name


def _wrong(info: zipfile.ZipInfo) -> str | None:
    """What makes an entry unsafe; None where nothing does."""
    mode = info.external_attr >> 16
    if info.orig_filename != info.filename or len(info.filename) > _LONGEST:
        return "has no name that every program reads alike"
    if not _NAME.fullmatch(info.filename):
        return "has no plain relative path of letters, digits, dots and dashes"
    if info.flag_bits & 0x41:
        return "is encrypted"
    if info.flag_bits:
        return f"has the flags {info.flag_bits:#x}"
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        return f"is packed by method {info.compress_type}"
    if stat.S_IFMT(mode) not in (0, stat.S_IFREG):
        return "is no regular file, but a link or something else"
    if mode & 0o7111 or info.external_attr & _FULL16 or info.internal_attr:
        return f"has the mode {mode:o}, or attributes beyond those of a plain file"
    if info.create_system not in (0, 3) or info.extract_version > _NEWEST:
        return "is of a system or a version that programs read differently"
    try:
        datetime(*info.date_time)
    except ValueError:
        return "has a date that is none"
    if info.volume or info.comment or _foreign(info.extra):
        return "has fields that programs read differently"
    return None


def _foreign(extra: bytes) -> bool:
    """Tell whether an extra field holds anything but sizes."""
    while extra:
        if len(extra) < 4:
            return True
        kind, length = struct.unpack_from("<HH", extra)
        if kind != _ZIP64 or len(extra) < 4 + length:
            return True
        extra = extra[4 + length :]
    return False


def _in_order(archive: zipfile.ZipFile, file: IO[bytes]) -> None:
    """Make sure that each entry begins where the one before it ends, and is what the list of entries says."""
    at = 0
    for info in sorted(archive.filelist, key=lambda one: one.header_offset):
        if info.header_offset != at:
            raise BagRefused(f"there is something before or within entry {clip(info.filename)}")
        file.seek(at)
        header = _LOCAL.unpack(file.read(_LOCAL.size))
        named, more = header[-2], header[-1]
        name, extra = file.read(named), file.read(more)
        if (name, *header[:1], *header[2:7]) != _as_listed(info) or _sizes(header, extra) != (
            info.compress_size,
            info.file_size,
        ):
            raise BagRefused(f"entry {clip(info.filename)} is described in two ways")
        at += _LOCAL.size + named + more + info.compress_size
    if at != archive.start_dir:
        raise BagRefused("there is something between the last entry and the list of entries")
    size = sum(_LISTED + len(info.orig_filename) + len(info.extra) for info in archive.filelist)
    _end(file, len(archive.filelist), at, size)


def _as_listed(info: zipfile.ZipInfo) -> tuple[object, ...]:
    """What the header of an entry must say: name, signature, flags, method, time, date, checksum."""
    year, month, day, hour, minute, second = info.date_time
    time, date = hour << 11 | minute << 5 | second // 2, (year - 1980) << 9 | month << 5 | day
    return info.filename.encode(), b"PK\x03\x04", info.flag_bits, info.compress_type, time, date, info.CRC


def _sizes(header: tuple[int, ...], extra: bytes) -> tuple[int, int] | None:
    """The sizes of an entry by its own header: packed and unpacked; None where it says them in no one way."""
    packed, plain = header[7], header[8]
    if (packed, plain) == (_FULL32, _FULL32):
        if len(extra) != 20 or extra[:4] != struct.pack("<HH", _ZIP64, 16):
            return None
        plain, packed = struct.unpack_from("<QQ", extra, 4)
        return packed, plain
    return None if extra else (packed, plain)


def _end(file: IO[bytes], entries: int, offset: int, size: int) -> None:
    """Make sure that the ends of the list say of it what is there, the ZIP64 ones only where they are needed."""
    file.seek(offset + size)
    end = file.read(_END64.size + _LOCATOR.size + _END.size + 1)
    # As zipfile writes it: ZIP64 from half of what 32 bits hold.
    large = entries > _FULL16 or offset > zipfile.ZIP64_LIMIT or size > zipfile.ZIP64_LIMIT
    if end.startswith(b"PK\x06\x06"):
        _, length, _, needed, *numbers = _END64.unpack_from(end)
        locator = _LOCATOR.unpack_from(end, _END64.size)
        sound = numbers == [0, 0, entries, entries, size, offset] and length == _END64.size - 12
        if not (large and sound and needed <= _NEWEST and locator == (b"PK\x06\x07", 0, offset + size, 1)):
            raise BagRefused("its ZIP64 end of the list says something else than the list, or is not needed")
        end = end[_END64.size + _LOCATOR.size :]
    elif large:
        raise BagRefused("its list needs a ZIP64 end, and has none")
    if not end.startswith(b"PK\x05\x06") or len(end) != _END.size:
        raise BagRefused("there is something after the list of entries")
    counted = [
        0,
        0,
        min(entries, _FULL16),
        min(entries, _FULL16),
        min(size, _FULL32),
        min(offset, _FULL32),
        0,
    ]
    if list(_END.unpack(end)[1:]) != counted:
        raise BagRefused("the end of the list says something else than the list")
