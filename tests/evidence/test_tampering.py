"""A list of what somebody could do to a signed bag, seeded: nothing of it passes without being said."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.evidence import container, content
from hardenprobe.evidence.container import BagRefused
from hardenprobe.evidence.verify import Verdict, verify, verify_opened

Files = dict[str, bytes]
SEED = 20
EDITS = 60
CHANGES = 400  # of the file's bytes; some 5 ms each
pytestmark = pytest.mark.slow


def edits(files: Files, chance: random.Random) -> Iterator[tuple[str, Files]]:
    """Files emptied, cut, doubled, exchanged, renamed, their lines sorted or their letters turned."""
    names = sorted(files)
    for _ in range(EDITS):
        name, other = chance.sample(names, 2)
        data = files[name]
        made = chance.choice(
            (
                {**files, name: b""},
                {**files, name: data[: len(data) // 2]},
                {**files, name: data + data},
                {**files, name: files[other], other: data},
                {**{n: d for n, d in files.items() if n != name}, f"{name}.old": data},
                {**files, name: b"".join(sorted(data.splitlines(keepends=True), reverse=True))},
                {**files, name: data.swapcase()},
                {**files, name: data.replace(b"0", b"1", 1)},
            )
        )
        if made != files:
            yield f"{name} and {other}", made


def whole(path: Path) -> Verdict:
    with container.opened(path) as bag:
        verdict = verify_opened(bag)
        content.check(bag, verdict)
        return verdict


def test_every_file_that_is_left_out_is_missed(signed: Path, read: Any, zipped: Any, tmp_path: Path) -> None:
    files = read(signed)
    for name in files:
        found = verify(zipped(tmp_path / "x.zip", {n: d for n, d in files.items() if n != name}))
        assert found.faults, name


def test_every_file_of_the_payload_that_is_left_out_is_missed_by_the_content(
    unsigned: Path, read: Any, zipped: Any, relisted: Any, tmp_path: Path
) -> None:
    """Although somebody has written all manifests anew, and nobody signed them."""
    files = read(unsigned)
    for name in [one for one in files if "/data/" in one]:
        rest = relisted({n: d for n, d in files.items() if n != name})
        info = next(one for one in rest if one.endswith("/bag-info.txt"))
        payload = [d for n, d in rest.items() if "/data/" in n]
        lines = [line for line in rest[info].decode().splitlines() if not line.startswith("Payload-Oxum")]
        oxum = f"Payload-Oxum: {sum(map(len, payload))}.{len(payload)}"
        rest[info] = "\n".join([*lines, oxum, ""]).encode()
        found = whole(zipped(tmp_path / "x.zip", relisted(rest)))
        assert found.faults or found.of("content") != "valid", name


def test_sixty_edits(signed: Path, read: Any, zipped: Any, tmp_path: Path) -> None:
    done = 0
    for what, made in edits(read(signed), random.Random(SEED)):
        try:
            found = verify(zipped(tmp_path / "x.zip", made))
        except BagRefused:
            continue
        assert found.faults, what
        done += 1
    assert done > EDITS / 2


def test_random_changes_of_the_file_change_nothing_or_are_found(
    signed: Path, read: Any, tmp_path: Path
) -> None:
    chance, before, path = random.Random(SEED), signed.read_bytes(), tmp_path / "x.zip"
    files, listed = read(signed), before.index(b"PK\x01\x02")
    refused = found = 0
    for _ in range(CHANGES):
        at = chance.randrange(listed, len(before)) if chance.random() < 0.5 else chance.randrange(len(before))
        data = bytearray(before)
        data[at] ^= 1 << chance.randrange(8)
        path.write_bytes(bytes(data))
        try:
            verdict = verify(path)
        except BagRefused:
            refused += 1
            continue
        assert verdict.faults or read(path) == files, at
        found += bool(verdict.faults)
    assert refused and found
