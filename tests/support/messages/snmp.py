"""SNMP answers (RFC 1157 section 4, RFC 3416 section 3, RFC 3412 section 6, RFC 3414 section 2.4)."""

from __future__ import annotations

from hypothesis import strategies as st

from hardenprobe.probes.snmp import objects
from hardenprobe.probes.snmp.agent import IDENTITY
from support.messages.ber import (
    NULL,
    OCTETS,
    OID,
    SEQUENCE,
    elements,
    integers,
    object_id,
    object_ids,
    sequence,
)
from support.messages.parts import joined, texts
from support.parsers.registry import NUMBER

RESPONSE, REPORT = 0xA2, 0xA8
_NAMES = (
    *IDENTITY,
    *(f"{column}.{row}" for column in objects.COLUMNS[:8] for row in ("0", "1", "4.192.0.2.7")),
)


def _values() -> st.SearchStrategy[bytes]:
    """What the types of RFC 3416 section 3 can hold, and what they cannot."""
    return st.one_of(
        elements(OCTETS, texts()),
        integers(0, 1, 2, 6),
        object_ids("1.3.6.1.4.1.32473.1"),  # RFC 5612
        elements(NULL, st.just(b"")),
        elements(0x40, st.binary(min_size=4, max_size=4)),  # IpAddress
        *(integers(0, 2**32 - 1, tag=tag) for tag in (0x41, 0x42, 0x43, 0x46)),
        *(elements(tag, st.just(b"")) for tag in (0x80, 0x81, 0x82)),  # noSuchObject, noSuchInstance, endOfMibView
        elements(0x44, texts()),  # Opaque
    )  # fmt: skip


def _pdu(tag: int, *names: str) -> st.SearchStrategy[bytes]:
    binding = sequence(elements(OID, st.sampled_from(tuple(map(object_id, names)))), _values())
    return sequence(
        integers(NUMBER), integers(0, 0, 2), integers(0, 1), elements(SEQUENCE, joined(binding, 8)), tag=tag
    )


def response() -> st.SearchStrategy[bytes]:
    """A Response of version 1 or 2c."""
    return sequence(integers(0, 1), elements(OCTETS, st.just(b"public") | texts()), _pdu(RESPONSE, *_NAMES))


def report() -> st.SearchStrategy[bytes]:
    """A Report of version 3, or a Response without protection."""
    engine = st.just(bytes.fromhex("8000000001020304")) | st.binary(max_size=70)
    flags = st.sampled_from((b"\0", b"\0", b"\4", b"\1", b"\3")) | st.binary(max_size=2)
    header = sequence(integers(NUMBER), integers(65507), elements(OCTETS, flags), integers(3))
    security = sequence(
        elements(OCTETS, engine), integers(1), integers(1), *(elements(OCTETS, texts()) for _ in range(3))
    )
    pdu = _pdu(REPORT, *(f"1.3.6.1.6.3.15.1.1.{n}.0" for n in range(1, 7))) | _pdu(RESPONSE, *_NAMES)
    scoped = sequence(elements(OCTETS, engine), elements(OCTETS, st.just(b"")), pdu)
    return sequence(
        integers(3), header, elements(OCTETS, security), scoped | elements(OCTETS, st.binary(max_size=64))
    )
