"""Putting a time stamp into a bag: the request goes out as a file, the authority's answer comes in as one."""

from __future__ import annotations

from pathlib import Path

from hardenprobe.errors import UsageError
from hardenprobe.evidence import container, signature, timestamp
from hardenprobe.evidence.bag import SIGNATURE, SIGNED, TIME_REQUEST, TOKEN, append
from hardenprobe.evidence.container import BagRefused, Broken
from hardenprobe.evidence.signature import Wrong
from hardenprobe.evidence.timestamp import Stamped
from hardenprobe.evidence.verify import verify


def request(bag: Path) -> bytes:
    """A request for a time stamp of a bag: of its signature, or of its tag manifest where nobody signed it.

    Raises:
        BagRefused: It is no bag, or not valid.
    """
    return timestamp.request(_stamped(bag))


def attach(bag: Path, reply: bytes, sent: bytes) -> Stamped:
    """Put a token, and the request that it answers, into a bag; it stays as it was until the new one is complete.

    Raises:
        UsageError: The bag is not valid or has a token already, or the token is none, is of something else, or answers
            another request.
    """
    stamped = _stamped(bag)
    token = timestamp.token(reply)
    try:
        nonce = timestamp.nonce_of(sent, stamped)
    except Wrong as exc:
        raise UsageError(f"--request does not fit: {exc}") from exc
    try:
        found = timestamp.check(token, stamped)
    except Wrong as exc:
        raise UsageError(f"the time stamp does not hold: {exc}") from exc
    if found.nonce != nonce:
        raise UsageError(
            "the time stamp does not hold: its nonce is not that of the request, so it answers another"
        )
    with container.opened(bag) as opened:
        if TOKEN in opened.names:
            raise UsageError(f"{bag} has a time stamp already")
        folder = opened.folder
    append(bag, folder, {TOKEN: token, TIME_REQUEST: sent})
    return found


def _stamped(bag: Path) -> bytes:
    verdict = verify(bag)
    if verdict.faults:
        raise BagRefused(f"{bag} is not valid; see `hardenprobe evidence verify {bag}`")
    with container.opened(bag) as opened:
        try:
            name = SIGNATURE if SIGNATURE in opened.names else SIGNED
            return opened.read(name, signature.MOST_BYTES)
        except Broken as exc:
            raise BagRefused(f"{bag}: {exc}") from exc
