"""What went over a line, bounded and with secrets masked as they are captured, and the observations that it proves."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, fields, is_dataclass, replace
from datetime import UTC, datetime
from typing import Any, TypeVar

from hardenprobe.model.observation import Endpoint, Exchange, Observation, SocketRecord

F = TypeVar("F")
V = TypeVar("V")

KEPT = 2048  # bytes of one exchange that a transcript keeps; enough for a greeting, a header, a hello
EXCHANGES = 64  # pieces that one observation keeps, so that a byte-a-second device cannot fill the store


class Recorder:
    """Keeps what went over the line, bounded, with secrets masked as they are captured.

    Attributes:
        socket: The kernel's account of the connection, once there is one; its `at` counts from `began`.
    """

    def __init__(self) -> None:
        self.began = time.monotonic()
        self.asked_at = utc_now()
        self.exchanges: list[Exchange] = []
        self.socket: SocketRecord | None = None
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
            if e.length > len(kept) and cut:  # its beginning is where the capture was cut
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
        """Pass all that was received, joined, through an edit that keeps its length: for what is known to belong to no person
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
    facts: F,
    endpoint: Endpoint | None,
    vantage: str,
    asked_at: str,
    transcript: tuple[Exchange, ...] = (),
    sockets: tuple[SocketRecord, ...] = (),
) -> Observation[F]:
    """Make an observation; its id is the digest of all it holds.

    Its mappings are put in the order that its document has them in, so that it is judged alike before and after it was stored.
    """
    facts = in_order(facts)
    kind = getattr(facts, "kind")  # noqa: B009 - given by @facts
    where = asdict(endpoint) if endpoint else None
    exchanges, connections = [asdict(e) for e in transcript], [asdict(s) for s in sockets]
    id = digest(kind, asdict(facts), where, vantage, asked_at, exchanges, connections)  # type: ignore[call-overload]
    return Observation(
        id=id,
        endpoint=endpoint,
        vantage=vantage,
        asked_at=asked_at,
        facts=facts,
        transcript=transcript,
        sockets=sockets,
    )


def in_order(value: V) -> V:
    """The same facts, every mapping in them sorted by its keys; the very same where they are in order already."""
    found: Any = value
    if isinstance(value, dict):
        made = {key: in_order(value[key]) for key in sorted(value)}
        if list(made) != list(value) or any(made[key] is not value[key] for key in made):
            found = made
    elif isinstance(value, tuple):
        parts = tuple(map(in_order, value))
        if any(after is not before for after, before in zip(parts, value, strict=True)):
            found = parts
    elif is_dataclass(value) and not isinstance(value, type):
        now = {one.name: getattr(value, one.name) for one in fields(value)}
        ordered = {name: in_order(part) for name, part in now.items()}
        if changed := {name: part for name, part in ordered.items() if part is not now[name]}:
            found = replace(value, **changed)
    return found  # type: ignore[no-any-return]


def digest(
    kind: str,
    facts: Mapping[str, Any],
    endpoint: Mapping[str, Any] | None,
    vantage: str,
    asked_at: str,
    transcript: Sequence[Mapping[str, Any]],
    sockets: Sequence[Mapping[str, Any]] = (),
) -> str:
    """The id of an observation from its entry in the document, the kind of its facts among it.

    Sockets count only where there are some, so that the ids of older reviews hold.
    """
    body = [kind, facts, endpoint, vantage, asked_at, transcript, *([sockets] if sockets else [])]
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()[:24]


def utc_now() -> str:
    """The time now: UTC, ISO 8601 with milliseconds and Z."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
