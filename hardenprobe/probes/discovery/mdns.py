"""Ask a device over multicast DNS, at its own address, which services it publishes and what their records carry."""

from __future__ import annotations

import re
import secrets
from collections.abc import AsyncIterator, Iterable
from functools import partial
from typing import Any

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import PASSWORD_KEYS, USER_KEYS, DnsSdText, MdnsAnswer, readable
from hardenprobe.model import Observation
from hardenprobe.probes import dns, packets
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.discovery import datagrams
from hardenprobe.probes.dns import TYPES, Record

PORT = 5353  # IANA
ALL_TYPES = "_services._dns-sd._udp.local"  # RFC 6763 section 9
MOST_TYPES = 6  # service types whose records are asked for
MOST_TEXTS = 12  # TXT records that are kept
# Those whose TXT records may hold a user name or password (IANA notes) first, then what office devices publish.
TELLING = (
    "_ftp._tcp",
    "_http._tcp",
    "_ssh._tcp",
    "_telnet._tcp",
    "_smb._tcp",
    "_uscan._tcp",
    "_uscans._tcp",
    "_ipp._tcp",
    "_ipps._tcp",
    "_printer._tcp",
)
SCANS = ("_uscan._tcp", "_uscans._tcp")  # common practice (no published requirement)
_KEYS = sorted(USER_KEYS | PASSWORD_KEYS, key=lambda key: -len(key))
_KEY = re.compile(rb"(?=(.)(" + "|".join(_KEYS).encode() + rb")=)", re.IGNORECASE | re.DOTALL)


class NamedAddress(str):
    """An address that a device's answers name, among the notes of its visit."""


def starred(data: bytes, ident: int) -> bytes:
    """What may be kept of a reply: the values of user name and password keys are starred, well formed or not.

    A TXT record is strings of `key=value`, each after a byte of its length (RFC 6763 section 6.1), never compressed. So
    they are found in any bytes; and where the message can be read, by reading it. A letter before a key mostly is the end
    of a longer key and no length: it counts only where nothing can be read, and then more is starred than need be.

    >>> starred(b"..\\x08p=secret\\x04xy=x", 1)
    b'..\\x08p=******\\x04xy=x'
    """
    try:
        records = dns.decode(data, ident, 0)
    except MalformedReply:
        records, lettered = (), True
    else:
        lettered = False
    kept = bytearray(data)
    for found in _KEY.finditer(data):
        at = found.start() + 1
        if lettered or not found[1].isalpha():
            _star(kept, at + len(found[2]) + 1, at + found[1][0])
    for key, _, value in (string.partition(b"=") for record in records for string in record.strings):
        if value and _is_credential(key):
            for place in re.finditer(re.escape(value), data):
                _star(kept, *place.span())
    return bytes(kept)


def _star(kept: bytearray, first: int, end: int) -> None:
    end = min(end, len(kept))
    if first < end:
        kept[first:end] = b"*" * (end - first)


def _is_credential(key: bytes) -> bool:
    return readable(key).lower() in USER_KEYS | PASSWORD_KEYS


def text_of(record: Record) -> DnsSdText:
    """Reduce a TXT record to its keys (RFC 6763 section 6.4: before the first "=", case ignored).

    Of two equal keys clients heed the first alone; an observer sees both, so a value under either counts.
    """
    keys: dict[str, bool] = {}
    root = None
    scans = any(f".{service}." in record.name.lower() for service in SCANS)
    for string in record.strings:
        key, equals, value = string.partition(b"=")
        if key:
            name = readable(key, 64).lower()
            keys[name] = keys.get(name, False) or bool(value)
            if scans and name == "rs" and equals and root is None:
                root = readable(value, 160)
    return DnsSdText(
        instance=record.name,
        keys=tuple(keys),
        filled=tuple(key for key, filled in keys.items() if filled),
        scan_root=root,
    )


def pointers(records: Iterable[Record], name: str) -> list[str]:
    """What the PTR records of a name point at."""
    wanted = name.rstrip(".").lower()
    found = [r.data for r in records if r.type == TYPES["PTR"] and r.name.rstrip(".").lower() == wanted]
    return list(dict.fromkeys(data for data in found if data))


def told(records: Iterable[Record]) -> str:
    """Say what a response holds, in words."""
    named = list(dict.fromkeys(r.data or r.name for r in records))
    return ", ".join(n.rstrip(".") for n in named[:8]) or "no record"


async def _question(
    asked: ProbeContext, name: str, kind: str
) -> tuple[Observation[MdnsAnswer], tuple[Record, ...]]:
    ident = secrets.randbelow(0xFFFF) + 1
    records: list[Record] = []

    def read(data: bytes) -> str:
        records.extend(dns.decode(data, ident, 0))
        asked.notes(NamedAddress).extend(
            NamedAddress(r.data) for r in records if r.type in (TYPES["A"], TYPES["AAAA"]) and r.data
        )
        return told(records)

    ask = partial(datagrams.ask, asked.line, MdnsAnswer, PORT, "mdns", f"{kind} {name}")
    seen, _ = await ask(packets.encode_mdns(name, kind, ident), read, hide=partial(starred, ident=ident))
    return seen, tuple(records)


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[Any]]:
    """All service types; then, if a check reads them, the records of the most telling types."""
    if PORT not in asked.plan.udp_ports:
        return
    await packets.ready()
    seen, records = await _question(asked, ALL_TYPES, "PTR")
    yield seen
    if not seen.facts.answered or not asked.wants(DnsSdText):
        return
    kept = 0
    for service in sorted(pointers(records, ALL_TYPES), key=_rank)[:MOST_TYPES]:
        if kept >= MOST_TEXTS or not _askable(service):
            continue
        seen, records = await _question(asked, service.rstrip("."), "PTR")
        yield seen
        texts = [r for r in records if r.type == TYPES["TXT"]]
        for instance in [] if texts else pointers(records, service)[:1]:
            if _askable(instance):  # RFC 6763 section 12.1: TXT comes along, but need not
                seen, records = await _question(asked, instance.rstrip("."), "TXT")
                yield seen
                texts = [r for r in records if r.type == TYPES["TXT"]]
        for record in texts[: MOST_TEXTS - kept]:
            kept += 1
            yield asked.line.derived(text_of(record), asked.line.endpoint(PORT, "udp", "mdns"), seen)


def _rank(service: str) -> int:
    known = service.rstrip(".").lower().removesuffix(".local")
    return TELLING.index(known) if known in TELLING else len(TELLING)


def _askable(name: str) -> bool:
    """A name that can be written into a question (RFC 1035 section 2.3.4), without escapes."""
    labels = name.rstrip(".").split(".")
    return (
        len(name) < 250 and "\\" not in name and name.isprintable() and all(0 < len(x) < 64 for x in labels)
    )


def _to_group(_: str) -> datagrams.Question:
    """Asked from another port than 5353, responders answer whoever asked alone (RFC 6762 section 6.7)."""
    ident = secrets.randbelow(0xFFFF) + 1
    return datagrams.Question(
        words=f"PTR {ALL_TYPES}",
        message=packets.encode_mdns(ALL_TYPES, "PTR", ident),
        read=lambda data: told(dns.decode(data, ident, 0)),
        hide=partial(starred, ident=ident),
    )


TO_GROUP = datagrams.GroupQuestion(
    service="mdns", facts=MdnsAnswer, port=PORT, groups=("224.0.0.251", "ff02::fb"), make=_to_group
)  # RFC 6762 section 3
PROBE = Probe(
    name="mdns", produces=(MdnsAnswer, DnsSdText), ask=_ask, place=("udp", PORT), to_groups=(TO_GROUP,)
)
