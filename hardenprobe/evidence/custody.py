"""The custody log of a bag: who packed, received and verified it, when, and with which key.

The entry of packing is covered by the bag's signature. Later ones are appended beside it, each chained to the one before by
digest, and signed by whoever adds it where a key is given.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from cryptography.hazmat.primitives.hashes import SHA256

from hardenprobe.evidence import signature
from hardenprobe.evidence.container import Broken, Container
from hardenprobe.evidence.signature import Wrong
from hardenprobe.model.document import canonical
from hardenprobe.model.transcript import utc_now
from hardenprobe.scope.accounts import operator

if TYPE_CHECKING:
    from hardenprobe.evidence.verify import Verdict

FORMAT = "hardenprobe.custody/1"
FIRST = "custody/0001.json"
MOST = 9999  # entries
_NAME = re.compile(r"custody/([0-9]{4})\.(?:json|p7s)")
_MOST_BYTES = 64 * 1024


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One step of a bag's way.

    Attributes:
        what: "packed" or "received".
        at: UTC, ISO 8601 with Z, by the clock of whoever adds it.
        by: The account that adds it.
        stated: The person who is named beside the account.
        key: SHA-256 of the certificate that signs it, None where nothing does.
        bag: Digest (SHA-512) of the bag, None in the first entry, which is part of it.
        previous: SHA-256 of the entry before, None in the first.
        found: State of the bag and level reached when it was verified, None where it was not.
    """

    number: int
    what: str
    at: str
    by: str
    stated: str | None = None
    key: str | None = None
    note: str | None = None
    bag: str | None = None
    previous: str | None = None
    found: str | None = None

    def data(self) -> bytes:
        """As it is kept."""
        return canonical({"format": FORMAT, **asdict(self)}) + b"\n"


def packed(key: str | None, *, redacted: bool) -> Entry:
    """The first entry.

    Args:
        key: SHA-256 of the signer's certificate.
        redacted: The account would tell whose devices these are.
    """
    return Entry(number=1, what="packed", at=utc_now(), by="withheld" if redacted else operator(), key=key)


def apart(names: Iterable[str]) -> frozenset[str]:
    """Of the files of a bag, the entries that were appended after it was signed."""
    return frozenset(name for name in names if (found := _NAME.fullmatch(name)) and int(found[1]) > 1)


def received(
    bag: Container,
    verdict: Verdict,
    *,
    stated: str | None,
    note: str | None,
    certificate: Any = None,
    sign: Callable[[bytes], bytes] | None = None,
) -> dict[str, bytes]:
    """The files of the entry of whoever received a bag.

    Args:
        certificate: Of the key that signs, with `sign`.
    """
    last = max((int(found[1]) for name in bag.names if (found := _NAME.fullmatch(name))), default=0)
    previous = bag.read(_name(last), _MOST_BYTES) if last else None
    entry = Entry(
        number=last + 1,
        what="received",
        at=utc_now(),
        by=operator(),
        stated=stated,
        key=certificate.fingerprint(SHA256()).hex() if certificate else None,
        note=note,
        bag=verdict.digest,
        previous=hashlib.sha256(previous).hexdigest() if previous else None,
        found=f"{verdict.state}, level reached: {verdict.reached or 'none'}",
    )
    files = {_name(entry.number): entry.data()}
    if sign:
        files[_name(entry.number, "p7s")] = sign(entry.data())
    return files


def check(bag: Container, verdict: Verdict) -> None:
    """Verify the chain of entries, their order in time and their signatures."""
    there = {name for name in bag.names if name.startswith("custody/")}
    expected: set[str] = set()
    before, last = None, None
    for number in range(1, MOST + 1):
        name = _name(number)
        if name not in there:
            break
        expected.add(name)
        try:
            data = bag.read(name, _MOST_BYTES)
            entry = _entry(data)
            _follows(entry, number, before, verdict)
            at = datetime.fromisoformat(entry.at)
            if last and at < last:
                raise Wrong("it is older than the entry before it")
            by = f"{entry.stated} (account {entry.by})" if entry.stated else entry.by
            signed = _signed(bag, entry, data, expected) if number > 1 else None
        except (Broken, Wrong) as exc:
            verdict.fault("custody", name, str(exc))
            return
        before, last = data, at
        how = f", signed with the certificate of SHA-256 {signed}" if signed else ""
        found = f"; then {entry.found}" if entry.found else ""
        note = f"; {entry.note}" if entry.note else ""
        verdict.told.append(f"Custody: {entry.what} on {at:%Y-%m-%d %H:%M:%S} UTC by {by}{how}{found}{note}.")
    for name in sorted(there - expected):
        verdict.fault("custody", name, "it follows no entry of the custody log")


def _follows(entry: Entry, number: int, before: bytes | None, verdict: Verdict) -> None:
    if entry.number != number:
        raise Wrong(f"it says that it is entry {entry.number}")
    if (entry.what == "packed") != (number == 1):
        raise Wrong("the first entry, and no other, is the one of packing")
    if entry.previous != (hashlib.sha256(before).hexdigest() if before else None):
        raise Wrong("it does not follow the entry before it")
    if number > 1 and entry.bag != verdict.digest:
        raise Wrong("it is about another bag")


def _signed(bag: Container, entry: Entry, data: bytes, expected: set[str]) -> str | None:
    """The certificate that signed an entry; None where it says that none did."""
    name = _name(entry.number, "p7s")
    if entry.key is None:
        return None
    if name not in bag.names:
        raise Wrong("it names a key, and its signature is missing")
    expected.add(name)
    made = signature.check(bag.read(name, signature.MOST_BYTES), data)
    found = made.certificate.fingerprint(SHA256()).hex()
    if found != entry.key:
        raise Wrong("it is signed with another key than the one that it names")
    return found


def _entry(data: bytes) -> Entry:
    try:
        plain = json.loads(data)
        if plain.pop("format") != FORMAT:
            raise Wrong(f"it has another format than {FORMAT}")
        entry = Entry(**plain)
        texts = (entry.what, entry.at, entry.by)
        sound = all(isinstance(one, str) for one in texts) and entry.data() == data
        if not sound or not entry.at.endswith("Z"):
            raise Wrong("it is not written as hardenprobe writes an entry")
        datetime.fromisoformat(entry.at)
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as exc:
        raise Wrong(f"it is no entry of a custody log ({type(exc).__name__})") from exc
    return entry


def _name(number: int, ending: str = "json") -> str:
    return f"custody/{number:04d}.{ending}"
