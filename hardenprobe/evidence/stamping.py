"""Putting a time stamp into a bag: the request goes out as a file, the authority's answer comes in as one."""

from __future__ import annotations

import shutil
import zipfile
from pathlib import Path

from hardenprobe.errors import UsageError
from hardenprobe.evidence import container, signature, timestamp
from hardenprobe.evidence.bag import FIXED, MODE, SIGNATURE, SIGNED, TOKEN, replacing
from hardenprobe.evidence.container import BagRefused, Broken
from hardenprobe.evidence.signature import Wrong
from hardenprobe.evidence.timestamp import Stamped
from hardenprobe.evidence.verify import verify


def request(bag: Path) -> bytes:
    """A request for a time stamp of a bag: of its signature, or of its tag manifest where nobody signed it.

    Raises:
        BagRefused: It is no bag, or not whole.
    """
    return timestamp.request(_stamped(bag))


def attach(bag: Path, reply: bytes) -> Stamped:
    """Put a token into a bag; it stays as it was until the new one is whole.

    Raises:
        UsageError: The bag is no whole bag or has a token already, or the token is none, or of something else.
    """
    stamped = _stamped(bag)
    token = timestamp.token(reply)
    try:
        found = timestamp.check(token, stamped)
    except Wrong as exc:
        raise UsageError(f"the time stamp does not hold: {exc}") from exc
    with container.opened(bag) as opened:
        if TOKEN in opened.names:
            raise UsageError(f"{bag} has a time stamp already")
        folder = opened.folder
    with replacing(bag) as out:
        with bag.open("rb") as file:
            shutil.copyfileobj(file, out)
        with zipfile.ZipFile(out, "a") as archive:
            info = zipfile.ZipInfo(f"{folder}/{TOKEN}", FIXED)
            info.create_system, info.external_attr = 3, MODE
            archive.writestr(info, token)
    return found


def _stamped(bag: Path) -> bytes:
    verdict = verify(bag)
    if verdict.faults:
        raise BagRefused(f"{bag} is not whole; see `hardenprobe evidence verify {bag}`")
    with container.opened(bag) as opened:
        try:
            name = SIGNATURE if SIGNATURE in opened.names else SIGNED
            return opened.read(name, signature.MOST_BYTES)
        except Broken as exc:
            raise BagRefused(f"{bag}: {exc}") from exc
