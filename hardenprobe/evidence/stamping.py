"""What is put into a bag that is packed already: a time stamp, whose request goes out as a file, and entries of custody."""

from __future__ import annotations

from pathlib import Path

from hardenprobe.errors import UsageError
from hardenprobe.evidence import container, custody, signature, timestamp
from hardenprobe.evidence.bag import SIGNATURE, SIGNED, TIME_REQUEST, TOKEN, append
from hardenprobe.evidence.container import BagRefused, Broken
from hardenprobe.evidence.pack import Signer
from hardenprobe.evidence.signature import Wrong
from hardenprobe.evidence.timestamp import Stamped
from hardenprobe.evidence.verify import Verdict, verify, verify_opened


def request(bag: Path) -> bytes:
    """A request for a time stamp of a bag: of its signature, or of its tag manifest where it is not signed.

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


def receive(bag: Path, signer: Signer | None, stated: str | None, note: str | None) -> Verdict:
    """Append to a bag's custody log that it was received, with what verifying it found; it stays as it was until that is done.

    Raises:
        UsageError: It is no bag, is invalid, or cannot be written.
    """
    with container.opened(bag) as opened:
        verdict = verify_opened(opened)
        if verdict.faults:
            raise BagRefused(f"{bag} is invalid; see `hardenprobe evidence verify {bag}`")
        files = custody.received(
            opened,
            verdict,
            stated=stated,
            note=note,
            certificate=signer.certificates[0] if signer else None,
            sign=signer.sign if signer else None,
        )
        folder = opened.folder
    append(bag, folder, files)
    return verdict


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
