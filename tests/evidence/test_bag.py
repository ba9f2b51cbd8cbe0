"""A bag is BagIt by the book, and the same review always makes the same one."""

from __future__ import annotations

import hashlib
import logging
import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.errors import UsageError
from hardenprobe.evidence import bag, pack, source
from hardenprobe.evidence.source import Wanted
from hardenprobe.store import store


def unpacked(path: Path, to: Path) -> Path:
    with zipfile.ZipFile(path) as archive:
        archive.extractall(to)
    return next(to.iterdir())


@pytest.mark.parametrize("which", ["signed", "unsigned"])
def test_the_registry_package_calls_it_valid(which: str, request: Any, tmp_path: Path) -> None:
    """The package `bagit`, written by others after RFC 8493."""
    import bagit

    logging.getLogger("bagit").setLevel(logging.ERROR)
    folder = unpacked(request.getfixturevalue(which), tmp_path)
    read = bagit.Bag(str(folder))

    read.validate()
    assert read.version_info == (1, 0)
    assert set(read.algorithms) == {"sha256", "sha512"}
    (folder / "data" / "review.json").write_bytes(b"{}")
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(folder)).validate()


def test_a_second_registry_package_calls_it_valid_too(unsigned: Path, tmp_path: Path) -> None:
    """The package `bagit-utils`, which shares no code with `bagit`."""
    from bagit_utils import Bag

    folder = unpacked(unsigned, tmp_path)
    assert Bag(folder).validate().valid
    (folder / "data" / "review.json").write_bytes(b"{}")
    assert not Bag(folder).validate().valid


def test_a_plain_checksum_command_agrees(unsigned: Path, tmp_path: Path) -> None:
    """The command that the bag's own README names."""
    folder = unpacked(unsigned, tmp_path)
    command = ["sha256sum", "--check", "--strict", "manifest-sha256.txt", "tagmanifest-sha256.txt"]
    assert " ".join(command) in (folder / "data" / "README.txt").read_text()
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_the_same_review_makes_the_same_bytes(
    packed: Callable[..., Path], unsigned: Path, signed: Path, read: Any
) -> None:
    """Of the payload; the time of packing is in bag-info.txt."""
    payloads = [{n: d for n, d in read(one).items() if "/data/" in n} for one in (packed(), unsigned, signed)]
    assert payloads[0] == payloads[1] == payloads[2]


def test_the_review_is_there_to_its_digest(kept: store.Store, unsigned: Path, read: Any) -> None:
    """SHA-256 of review.json is the digest that the store's chain of reviews has."""
    stored = kept.find("latest")
    (document,) = (data for name, data in read(unsigned).items() if name.endswith("/data/review.json"))
    assert hashlib.sha256(document).hexdigest() == kept.digest(stored)
    assert kept.reviews()[0].intact


def test_declaration_and_lines_are_those_of_the_standard() -> None:
    """RFC 8493 sections 2.1.1 and 2.1.3."""
    sums = bag.Sums()
    sums.add(b"abc")
    # SHA-256 of "abc": NIST's published example for FIPS 180-4.
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert bag.manifest({"data/a": sums}, "sha256") == f"{digest}  data/a\n".encode()
    assert bag.DECLARATION == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def test_a_value_of_bag_info_stays_on_its_line() -> None:
    assert bag.info_text({"A": "one\r\nPayload-Oxum: 1.1"}) == b"A: one Payload-Oxum: 1.1\n"


def test_what_cannot_be_packed_leaves_what_was_there(kept: store.Store, tmp_path: Path) -> None:
    out = tmp_path / "bag.zip"
    out.write_bytes(b"before")
    wanted = Wanted(self_test={}, capture=tmp_path / "packets.pcap")
    with pytest.raises(UsageError, match="packets.pcap: No such file"):
        pack.pack(source.of(kept, kept.find("latest")), wanted, out)
    assert out.read_bytes() == b"before"
    assert list(tmp_path.iterdir()) == [out]
