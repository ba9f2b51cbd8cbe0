"""What went over a line, bounded and with secrets masked as they are captured, and the observations that it proves."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable
from dataclasses import asdict, replace
from datetime import UTC, datetime
from typing import Any, TypeVar

from hardenprobe.model.observation import Endpoint, Exchange, Observation

F = TypeVar("F")

KEPT = 2048  # bytes of one exchange that a transcript keeps; enough for a greeting, a header, a hello
EXCHANGES = 64  # pieces that one observation keeps, so that a byte-a-second device cannot fill the store


class Recorder:
    """Keeps what went over the line, bounded, with secrets masked as they are captured."""

    def __init__(self) -> None:
        self.began = time.monotonic()
        self.asked_at = utc_now()
        self.exchanges: list[Exchange] = []
        self._secrets: list[bytes] = []

    def mask(self, secret: bytes) -> None:
        """Star this secret in everything captured from now on."""
        if secret:
            self._secrets.append(secret)

    def forget(self, text: bytes) -> None:
        """Star a text in what was captured already, where only the answer tells what must not be kept."""
        if not text:
            return
        hidden = b"*" * len(text)
        for i, e in enumerate(self.exchanges):
            kept = bytes.fromhex(e.hex).replace(text, hidden)
            cut = next((n for n in range(min(len(text), len(kept)), 0, -1) if kept.endswith(text[:n])), 0)
            if e.length > len(kept) and cut:  # its beginning stands where the capture was cut
                kept = kept[:-cut] + hidden[:cut]
            self.exchanges[i] = replace(e, hex=kept.hex())

    def note(self, direction: Any, data: bytes) -> None:
        if len(self.exchanges) >= EXCHANGES:
            return
        kept = data
        for secret in self._secrets:
            kept = kept.replace(secret, b"*" * len(secret))
        self.exchanges.append(
            Exchange(
                at=round(time.monotonic() - self.began, 4),
                direction=direction,
                hex=kept[:KEPT].hex(),
                length=len(data),
            )
        )

    def rewrite_received(self, edit: Callable[[bytes], bytes]) -> None:
        """Pass all that was received, joined, through an edit that keeps its length: for what is known to be nobody's
        business only after it came."""
        received = [i for i, e in enumerate(self.exchanges) if e.direction == "received"]
        pieces = [bytes.fromhex(self.exchanges[i].hex) for i in received]
        before = b"".join(pieces)
        after = edit(before)
        if after == before:
            return
        at = 0
        for i, piece in zip(received, pieces, strict=True):
            self.exchanges[i] = replace(self.exchanges[i], hex=after[at : at + len(piece)].hex())
            at += len(piece)


def observation(
    facts: F, endpoint: Endpoint | None, vantage: str, asked_at: str, transcript: tuple[Exchange, ...] = ()
) -> Observation[F]:
    """Make an observation; its id is the digest of all it holds."""
    body = [
        getattr(facts, "kind"),  # noqa: B009 - given by @facts
        asdict(facts),  # type: ignore[call-overload]
        asdict(endpoint) if endpoint else None,
        vantage,
        asked_at,
        [asdict(e) for e in transcript],
    ]
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), default=str)
    digest = hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()[:24]
    return Observation(
        id=digest, endpoint=endpoint, vantage=vantage, asked_at=asked_at, facts=facts, transcript=transcript
    )


def utc_now() -> str:
    """The time now: UTC, ISO 8601 with milliseconds and Z."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
