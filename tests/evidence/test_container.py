"""Zip files that attack whoever unpacks them are refused before a byte is unpacked."""

from __future__ import annotations

import io
import shutil
import stat
import struct
import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from hardenprobe.evidence import container
from hardenprobe.evidence.container import BagRefused

GOOD = "bag/data/a.txt"


def archive(*entries: tuple[str | zipfile.ZipInfo, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as made:
        for name, data in entries:
            made.writestr(name, data)
    return out.getvalue()


def info(name: str, mode: int) -> zipfile.ZipInfo:
    made = zipfile.ZipInfo(name)
    made.create_system, made.external_attr = 3, mode << 16
    return made


def renamed(data: bytes, old: bytes, new: bytes) -> bytes:
    assert len(old) == len(new) and old in data
    return data.replace(old, new)


def encrypted() -> bytes:
    data = bytearray(archive((GOOD, b"x")))
    for at in (6, data.index(b"PK\x01\x02") + 8):
        data[at] |= 1
    return bytes(data)


def overlapping() -> bytes:
    """Two entries of the list that share one entry's bytes, which is how small files become large bombs."""
    data = archive(("bag/data/a", b"x" * 100), ("bag/data/b", b"x" * 100))
    second = data.index(b"PK\x01\x02", data.index(b"PK\x01\x02") + 1)
    return data[: second + 42] + struct.pack("<L", 0) + data[second + 46 :]


def unicode_path() -> bytes:
    """An extra field (0x7075) by which some programs read another name."""
    made = zipfile.ZipInfo(GOOD)
    made.extra = struct.pack("<HHBL", 0x7075, 5 + 4, 1, 0) + b"../x"
    return archive((made, b"x"))


def patched(signature: bytes, at: int, value: bytes) -> bytes:
    """A plain archive with some bytes of its first header of a kind replaced (APPNOTE 4.3.7, 4.3.12, 4.3.16)."""
    data = bytearray(archive((zipfile.ZipInfo(GOOD), b"x")))
    start = data.index(signature) + at
    data[start : start + len(value)] = value
    return bytes(data)


def zip64_end(more_entries: int, more_offset: int) -> bytes:
    """A second end of the list, of ZIP64, before the usual one (APPNOTE 4.3.14, 4.3.15)."""
    data = archive((zipfile.ZipInfo(GOOD), b"x"))
    listed, end = data.index(b"PK\x01\x02"), data.index(b"PK\x05\x06")
    count = 1 + more_entries
    large = struct.pack(
        "<4sQ2H2L4Q", b"PK\x06\x06", 44, 45, 45, 0, 0, count, count, end - listed, listed + more_offset
    )
    return data[:end] + large + struct.pack("<4sLQL", b"PK\x06\x07", 0, end, 1) + data[end:]


HOSTILE: dict[str, tuple[Callable[[], bytes], str]] = {
    "goes up": (lambda: archive(("bag/../../etc/x", b"x")), "no plain relative path"),
    "goes up at once": (lambda: archive(("../bag/x", b"x")), "no plain relative path"),
    "absolute": (lambda: archive(("/etc/x", b"x")), "no plain relative path"),
    "a drive": (lambda: archive(("C:/x/y", b"x")), "no plain relative path"),
    "backslash": (lambda: renamed(archive(("bag/data+x", b"x")), b"data+x", b"data\\x"), "entry"),
    "a dot": (lambda: archive(("bag/./x", b"x")), "no plain relative path"),
    "nothing between slashes": (lambda: archive(("bag//x", b"x")), "no plain relative path"),
    "a null byte": (lambda: renamed(archive(("bag/data/xyz", b"x")), b"xyz", b"x\0z"), "entry"),
    "a symbolic link": (lambda: archive((info("bag/data/l", stat.S_IFLNK | 0o777), b"/etc/x")), "a link"),
    "a device": (lambda: archive((info("bag/data/l", stat.S_IFCHR | 0o666), b"")), "a link"),
    "a folder": (lambda: archive((info("bag/data/", stat.S_IFDIR | 0o755), b"")), "no plain relative path"),
    "one name twice": (lambda: renamed(archive((GOOD, b"x"), ("bag/data/b.txt", b"y")), b"/b.txt", b"/a.txt"), "two entries"),
    "letter case": (lambda: archive((GOOD, b"x"), ("bag/data/A.txt", b"y")), "letter case"),
    "composed and decomposed": (lambda: archive(("bag/e\u0301", b"x"), ("bag/\u00e9", b"y")), "no plain relative path"),
    "a file that is a folder": (lambda: archive(("bag/data", b"x"), (GOOD, b"y")), "a file and a folder"),
    "two folders": (lambda: archive((GOOD, b"x"), ("other/a", b"y")), "more than one folder"),
    "nothing": (lambda: archive(), "empty"),
    "encrypted": (encrypted, "encrypted"),
    "overlapping": (overlapping, "before or within|Overlapped"),
    "another name for others": (unicode_path, "programs read differently"),
    "something before": (lambda: b"#!/bin/sh\n" + archive((GOOD, b"x")), "before or within"),
    "something after": (lambda: archive((GOOD, b"x")) + b"tail", "after the list"),
    "two descriptions": (
        lambda: archive((GOOD, b"x")).replace(b"bag/data/a", b"bag/data/b", 1), "two ways|differ",
    ),
    "set user id": (lambda: archive((info(GOOD, stat.S_IFREG | 0o4644), b"x")), "the mode 104644"),
    "a program": (lambda: archive((info(GOOD, stat.S_IFREG | 0o755), b"x")), "the mode 100755"),
    "attributes of another system": (lambda: patched(b"PK\x01\x02", 38, b"\x10"), "attributes beyond"),
    "a count that lies": (lambda: patched(b"PK\x05\x06", 8, struct.pack("<H", 2)), "end of the list"),
    "a total that lies": (lambda: patched(b"PK\x05\x06", 10, struct.pack("<H", 2)), "end of the list"),
    "another disk": (lambda: patched(b"PK\x05\x06", 4, struct.pack("<H", 1)), "end of the list|no zip file"),
    "a ZIP64 end that is not needed": (lambda: zip64_end(0, 0), "ZIP64 end|no zip file"),
    "a ZIP64 end that says more": (lambda: zip64_end(1, 0), "ZIP64 end|no zip file"),
    "two sizes": (lambda: patched(b"PK\x03\x04", 22, struct.pack("<L", 2)), "two ways"),
    "two packed sizes": (lambda: patched(b"PK\x03\x04", 18, struct.pack("<L", 2)), "two ways"),
    "two checksums": (lambda: patched(b"PK\x03\x04", 14, b"\0\0\0\0"), "two ways"),
    "two dates": (lambda: patched(b"PK\x03\x04", 12, b"\x22"), "two ways"),
    "two times": (lambda: patched(b"PK\x03\x04", 10, b"\x22"), "two ways"),
    "a day that is none": (lambda: patched(b"PK\x01\x02", 14, b"\0\0"), "a date that is none"),
    "a version of the future": (lambda: patched(b"PK\x01\x02", 6, struct.pack("<H", 63)), "a version"),
    "a system of its own": (lambda: patched(b"PK\x01\x02", 5, b"\x13"), "a system"),
    "no zip file": (lambda: b"PK\x03\x04 and no more", "no zip file"),
    "a method of others": (lambda: _bzip2(), "packed by method 12"),
}  # fmt: skip


def _bzip2() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_BZIP2) as made:
        made.writestr(GOOD, b"x")
    return out.getvalue()


@pytest.mark.parametrize("attack", HOSTILE)
@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_it_is_refused(attack: str, tmp_path: Path) -> None:
    make, says = HOSTILE[attack]
    path = tmp_path / "bag.zip"
    path.write_bytes(make())
    with pytest.raises(BagRefused, match=says), container.opened(path) as bag:
        # What shows itself only when it is read must still be refused.
        bag.unpack(tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_a_bomb_by_ratio(tmp_path: Path) -> None:
    """A gigabyte of nothing in a megabyte."""
    path = tmp_path / "bag.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as made, made.open("bag/data/bomb", "w") as out:
        block = bytes(1 << 20)
        for _ in range(container.FREE // len(block) + 1):
            out.write(block)
    assert path.stat().st_size * container.MOST_RATIO < container.FREE
    with pytest.raises(BagRefused, match="would unpack to"), container.opened(path):
        pass


def test_a_bomb_by_count(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(container, "MOST_FILES", 100)
    path = tmp_path / "bag.zip"
    path.write_bytes(archive(*((f"bag/data/{n}", b"") for n in range(101))))
    with pytest.raises(BagRefused, match="it holds 101 files, more than 100"), container.opened(path):
        pass


def test_a_size_that_lies_is_found(tmp_path: Path) -> None:
    """An entry that unpacks to more than both its descriptions say: no more than that is read, and its checksum tells."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr(GOOD, b"x" * 1000)
    data = bytearray(out.getvalue())
    for at in (22, data.index(b"PK\x01\x02") + 24):
        data[at : at + 4] = struct.pack("<L", 10)
    path = tmp_path / "bag.zip"
    path.write_bytes(bytes(data))
    with container.opened(path) as bag, pytest.raises(container.Broken):
        b"".join(bag.chunks("data/a.txt"))


@pytest.mark.slow
def test_a_bag_with_a_zip64_end_is_read(tmp_path: Path) -> None:
    """More entries than the usual end can count."""
    path = tmp_path / "bag.zip"
    with zipfile.ZipFile(path, "w") as made:
        for n in range(65_540):
            made.writestr(zipfile.ZipInfo(f"bag/data/{n}"), b"")
    with container.opened(path) as bag:
        assert len(bag.names) == 65_540


@pytest.mark.peer
@pytest.mark.skipif(shutil.which("unzip") is None, reason="needs the Debian package unzip")
def test_another_program_finds_nothing_to_complain_of(unsigned: Path) -> None:
    """Info-ZIP tests every entry, and its list has the names that this reader has."""
    tested = subprocess.run(["unzip", "-tqq", unsigned], capture_output=True, text=True, check=False)
    assert (tested.returncode, tested.stderr) == (0, "")
    listed = subprocess.run(["unzip", "-Z1", unsigned], capture_output=True, text=True, check=True)
    with container.opened(unsigned) as bag:
        assert sorted(listed.stdout.split()) == sorted(f"{bag.folder}/{name}" for name in bag.names)


def test_a_good_one_is_unpacked(
    unsigned: Path, tmp_path: Path, read: Callable[[Path], dict[str, bytes]]
) -> None:
    with container.opened(unsigned) as bag:
        bag.unpack(tmp_path / "out")
        with pytest.raises(BagRefused, match="exists"):
            bag.unpack(tmp_path / "out")
    found = {
        str(p.relative_to(tmp_path / "out")): p.read_bytes()
        for p in (tmp_path / "out").rglob("*")
        if p.is_file()
    }
    assert found == {name.partition("/")[2]: data for name, data in read(unsigned).items()}
