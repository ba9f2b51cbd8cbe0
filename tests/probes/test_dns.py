"""Responses of DNS: any bytes end in records or MalformedReply, soon."""

from __future__ import annotations

import struct
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.messages.dns import response

from hardenprobe.errors import MalformedReply
from hardenprobe.probes import dns, packets
from hardenprobe.probes.dns import Record

HEAD = b"\0\7\x84\0\0\0\0\1\0\0\0\0"  # a response with one answer


def chain_of_pointers() -> bytes:
    """Names that point at names that point at names (RFC 1035 section 4.1.4), in hundreds of records."""
    body, at = b"\x01a\0", 12
    while len(body) < 3000:
        body += struct.pack(">H", 0xC000 | at)
        at = 12 + len(body) - 2
    record = struct.pack(">HHHIH", 0xC000 | at, 16, 1, 0, 0)
    return (struct.pack(">6H", 7, 0x8400, 0, 480, 0, 0) + record * 480)[: dns.SIZE_CAP]


@pytest.mark.parametrize(
    "data",
    [
        chain_of_pointers(),
        struct.pack(">6H", 7, 0x8400, 0, 0xFFFF, 0, 0) + b"\xc0\x0c\0\x10\0\1\0\0\0\0\0\0" * 740,
        struct.pack(">6H", 7, 0x8400, 0, 90, 0, 0) + (b"\x3f" + b"a" * 63) * 130,
    ],
    ids=["pointers", "records", "labels"],
)
def test_what_is_made_to_take_long_does_not(data: bytes) -> None:
    began = time.monotonic()
    with pytest.raises(MalformedReply):
        dns.decode(data[: dns.SIZE_CAP], 7)
    assert time.monotonic() - began < 0.1


def named(text: str) -> bytes:
    return b"".join(bytes((len(part),)) + part.encode() for part in text.split(".")) + b"\0"


def record(name: str, kind: int, data: bytes) -> bytes:
    return named(name) + struct.pack(">HHIH", kind, 1, 86400, len(data)) + data


def test_an_alias_leads_to_addresses_and_additional_records_do_not() -> None:
    """RFC 1034 section 6.2.7: QNAME=USC-ISIC.ARPA, QTYPE=A; the last record and the question of another name are ours."""
    question = named("USC-ISIC.ARPA") + struct.pack(">HH", 1, 1)
    alias = record("USC-ISIC.ARPA", 5, named("C.ISI.EDU")) + record("C.ISI.EDU", 1, bytes((10, 0, 0, 52)))
    more = record("USC-ISIC.ARPA", 1, bytes((192, 0, 2, 1)))
    head = struct.pack(">6H", 7, 0x8400, 1, 2, 0, 1)
    assert dns.addresses(head + question + alias + more, "usc-isic.arpa", 7) == ("10.0.0.52",)
    assert dns.addresses(head + question + alias + more, "other.example", 7) == ()


@pytest.mark.parametrize(
    ("code", "found"), [(3, ()), (2, None), (5, None)], ids=["name error", "failure", "refused"]
)
def test_only_a_name_error_says_that_there_are_no_addresses(code: int, found: tuple[str, ...] | None) -> None:
    """RFC 1035 section 4.1.1, RCODE."""
    reply = struct.pack(">6H", 7, 0x8180 | code, 0, 0, 0, 0)
    if found is None:
        with pytest.raises(MalformedReply, match=f"error {code}"):
            dns.addresses(reply, "a.example", 7)
    else:
        assert dns.addresses(reply, "a.example", 7) == found


def test_records_of_a_response_are_read() -> None:
    text = b"\x04rp=x\x03p=y"
    data = (
        struct.pack(">6H", 0, 0x8400, 0, 1, 0, 1)
        + named("_ipp._tcp.local") + struct.pack(">HHIH", 12, 1, 10, 4) + b"\x01A\xc0\x0c"
        + named("A._ipp._tcp.local") + struct.pack(">HHIH", 16, 0x8001, 10, len(text)) + text
    )  # fmt: skip
    assert dns.decode(data, 7, 0) == (
        Record("_ipp._tcp.local.", 12, data="A._ipp._tcp.local."),
        Record("A._ipp._tcp.local.", 16, strings=(b"rp=x", b"p=y")),
    )


@pytest.mark.parametrize(
    "rest",
    [b"\x3f" + b"a" * 20, b"\x40", b"\xc0\x0c\0\x0c\0\1\0\0\0\0\0\x05\1a\0xx", b"\1a\xc0\x0c" + bytes(10)],
)
def test_what_is_cut_or_leads_nowhere_is_malformed(rest: bytes) -> None:
    with pytest.raises(MalformedReply):
        dns.decode(HEAD + rest, 7)


def test_dots_of_a_label_are_no_borders() -> None:
    """RFC 1035 section 5.1; so a question is never made of a part of a label."""
    record = b"\4a.b\\\5local\0" + struct.pack(">HHIH", 1, 1, 0, 4) + bytes(4)
    assert dns.decode(HEAD + record, 7)[0].name == "a\\.b\\\\.local."


def test_what_is_no_response_or_answers_another_question_is_malformed() -> None:
    question = packets.encode_llmnr("device01", "A", 7)
    for data, says in (
        (question, "no response"),
        (HEAD[:6] + bytes(6), "another"),
        (bytes(dns.SIZE_CAP + 1), "bytes"),
    ):
        with pytest.raises(MalformedReply, match=says):
            dns.decode(data, 8 if says == "another" else 7)


@pytest.mark.slow
@settings(suppress_health_check=[HealthCheck.too_slow], max_examples=40, deadline=None)
@given(
    response(multicast=True) | response(multicast=False).map(lambda one: one[:2] + b"\x84\0" + one[4:]),
    st.data(),
)
def test_dnspython_reads_the_same(data: bytes, more: st.DataObject) -> None:
    """Another implementation agrees with every record, and takes nothing that ours refuses, but for:

    - Strings of a TXT record: none at all are taken here (RFC 6763 section 6.1).
    - Content of types that are of no interest here (SRV, NSEC, OPT): it is stepped over, and proves nothing.
    - A pointer into the header, or to a name that overlaps the one that it ends: refused here alone.
    - The topmost bit of a class, which is a flag of multicast DNS (RFC 6762 section 10.2), and other classes than IN.
    """
    if more.draw(st.booleans()):
        data = data[: more.draw(st.integers(0, len(data)))] + more.draw(st.binary(max_size=2))
    ident = int.from_bytes(data[:2], "big")
    try:
        ours = dns.decode(data, ident)
    except MalformedReply as exc:
        if "no response" in str(exc) or "no prior name" in str(exc):
            return
        ours = None
    theirs = dnspython(data)
    if ours is None or theirs is None:
        assert ours is theirs
        return
    for mine, (name, kind, value) in zip(ours, theirs, strict=True):
        assert (mine.name, mine.type) == (name, kind)
        if value is not None:
            assert (mine.strings or mine.data) == value


def dnspython(data: bytes) -> list[tuple[str, int, object]] | None:
    """Records as dnspython reads them in any class; None where it refuses the message."""
    import dns.exception
    import dns.name
    import dns.rdata
    import dns.rdataclass
    import dns.rdatatype
    import dns.wire

    def text(name: dns.name.Name) -> str:
        labels = [label.replace(b"\\", b"\\\\").replace(b".", b"\\.") for label in name.labels[:-1]]
        return ".".join(label.decode("utf-8", "backslashreplace") for label in labels) + "."

    try:
        parser = dns.wire.Parser(data)
        _, _, questions, *counts = (parser.get_uint16() for _ in range(6))
        for _ in range(questions):
            dns.name.from_wire_parser(parser)
            parser.get_bytes(4)
        found: list[tuple[str, int, object]] = []
        for _ in range(sum(counts)):
            name = text(dns.name.from_wire_parser(parser))
            kind, _, _, length = parser.get_struct("!HHIH")
            value: object = None
            with parser.restrict_to(length):
                if kind in (1, 12, 28) or (kind == 16 and length):
                    rdata = dns.rdata.from_wire_parser(
                        dns.rdataclass.IN, dns.rdatatype.RdataType(kind), parser
                    )
                    value = (
                        rdata.strings if kind == 16 else text(rdata.target) if kind == 12 else rdata.address
                    )
                else:
                    parser.get_remaining()
            found.append((name, kind, value))
        return found if not parser.remaining() else None
    except (dns.exception.DNSException, ValueError):
        return None
