"""The custody log: what was packed is signed, what came after is chained, and nothing of it can be changed or left out unseen."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.errors import UsageError
from hardenprobe.evidence import pack, stamping
from hardenprobe.evidence.container import opened
from hardenprobe.evidence.verify import verify

Files = dict[str, bytes]
FOLDER = "hardenprobe-20260302-210000-7c1e5a"


@pytest.fixture
def signer(people: Any) -> pack.Signer:
    who = people.authority.issue("Example receiver", people.root)
    return pack.Signer(key=who.key, certificates=(who.certificate,))


@pytest.fixture
def bag(signed: Path, tmp_path: Path, signer: pack.Signer) -> Path:
    """A bag that two people received; the second signed."""
    path = Path(shutil.copy(signed, tmp_path / "bag.zip"))
    stamping.receive(path, None, "Example auditor", "by courier")
    stamping.receive(path, signer, None, None)
    return path


def custody(files: Files) -> dict[str, bytes]:
    return {n.partition("/")[2]: d for n, d in files.items() if n.startswith(f"{FOLDER}/custody/")}


def test_the_way_of_a_bag_is_told_and_its_digest_stays(bag: Path, signed: Path, read: Any) -> None:
    found = verify(bag)
    told = [line for line in found.told if line.startswith("Custody: ")]
    assert not found.faults and found.digest == verify(signed).digest
    assert [line.split()[1] for line in told] == ["packed", "received", "received"]
    assert "Example auditor (account " in told[1] and "not determined, level reached: manifest" in told[1]
    assert told[1].endswith("; by courier.") and "signed with the certificate" in told[2]
    assert custody(read(bag)).keys() == {
        "custody/0001.json", "custody/0002.json", "custody/0003.json", "custody/0003.p7s"
    }  # fmt: skip


def test_the_registry_package_still_calls_it_valid(bag: Path, tmp_path: Path) -> None:
    import bagit

    with opened(bag) as file:
        file.unpack(tmp_path / "out")
    bagit.Bag(str(tmp_path / "out")).validate()


@pytest.mark.peer
def test_openssl_verifies_an_entry(bag: Path, people: Any, tmp_path: Path) -> None:
    with opened(bag) as file:
        file.unpack(tmp_path / "out")
    folder = tmp_path / "out" / "custody"
    done = subprocess.run(
        ["openssl", "cms", "-verify", "-binary", "-inform", "DER", "-in", folder / "0003.p7s", "-content",
         folder / "0003.json", "-CAfile", people.root.certificate_file, "-out", tmp_path / "x"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


def _gap(files: Files) -> Files:
    return {n: d for n, d in files.items() if not n.endswith("custody/0002.json")}


def _edited(number: str, key: str, value: Any) -> Callable[[Files], Files]:
    def edit(files: Files) -> Files:
        name = next(one for one in files if one.endswith(f"custody/{number}.json"))
        entry = {**json.loads(files[name]), key: value}
        made = json.dumps(entry, sort_keys=True, separators=(",", ":"), ensure_ascii=False) + "\n"
        return {**files, name: made.encode()}

    return edit


EDITS: dict[str, tuple[Callable[[Files], Files], str]] = {
    "an entry is left out": (_gap, "follows no entry"),
    "the first is changed": (_edited("0001", "by", "nobody"), "0001"),
    "a name is changed": (_edited("0002", "stated", "Somebody else"), "does not follow"),
    "a signed one is changed": (_edited("0003", "note", "x"), "made over something else"),
    "of another bag": (_edited("0002", "bag", "0" * 128), "another bag"),
    "older than the one before": (_edited("0002", "at", "2001-01-01T00:00:00.000Z"), "older than"),
    "another number": (_edited("0002", "number", 7), "entry 7"),
    "packed twice": (_edited("0002", "what", "packed"), "the first entry, and no other"),
    "a time that is none": (_edited("0002", "at", "yesterdayZ"), "no entry"),
    "another format": (_edited("0002", "format", "x"), "another format"),
    "a field too many": (_edited("0002", "more", 1), "no entry"),
    "the signature is gone": (lambda f: {n: d for n, d in f.items() if not n.endswith("0003.p7s")}, "signature is missing"),
    "a signature too many": (lambda f: {**f, f"{FOLDER}/custody/0002.p7s": b"x"}, "follows no entry"),
    "something else": (lambda f: {**f, f"{FOLDER}/custody/0009.json": b"x"}, "follows no entry"),
}  # fmt: skip


@pytest.mark.parametrize("edit", EDITS)
def test_what_was_changed_is_found(edit: str, bag: Path, read: Any, zipped: Any, tmp_path: Path) -> None:
    make, says = EDITS[edit]
    found = verify(zipped(tmp_path / "x.zip", make(read(bag))))
    assert any(says in f"{fault.file}: {fault.text}" for fault in found.faults), found.faults


def test_an_invalid_bag_is_not_received(signed: Path, read: Any, zipped: Any, tmp_path: Path) -> None:
    files = read(signed)
    changed = zipped(tmp_path / "x.zip", {**files, f"{FOLDER}/data/README.txt": b"x"})
    before = changed.read_bytes()
    with pytest.raises(UsageError, match="is invalid"):
        stamping.receive(changed, None, None, None)
    assert changed.read_bytes() == before
