"""SNMP as another implementation reads it: answers of every version by our readers and by pysnmp's codecs."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyasn1.codec.ber import decoder
from pyasn1.error import PyAsn1Error
from pysnmp.proto import api
from pysnmp.proto.mpmod.rfc3412 import SNMPv3Message
from pysnmp.proto.secmod.rfc3414.service import UsmSecurityParameters
from support.messages import snmp
from support.parsers.registry import NUMBER

from hardenprobe.errors import MalformedReply
from hardenprobe.probes.snmp import response
from hardenprobe.probes.snmp.message import Message, digest_offset

CODECS: dict[str, Any] = {
    "1": api.PROTOCOL_MODULES[api.SNMP_VERSION_1],
    "2c": api.PROTOCOL_MODULES[api.SNMP_VERSION_2C],
}
UNLIMITED = settings(suppress_health_check=[HealthCheck.too_slow], max_examples=60, deadline=None)
# What is refused here and pysnmp takes, and whose rule that is.
STRICTER = (
    "a length without an end",  # RFC 3417 section 8
    "where",  # a simple type in constructed form, RFC 3417 section 8
    "a number beyond its range",  # an INTEGER of no octet, X.690 section 8.3.1; one beyond 32 bits, RFC 3416 section 3
    "no object identifier",  # RFC 2578 section 3.5
    "a value of type",  # noSuchObject and its like in constructed form
    "without a PDU",  # a trap of version 1
)


@st.composite
def spoilt(draw: st.DrawFn, whole: st.SearchStrategy[bytes]) -> bytes:
    """A message, every second time with an octet changed or its end cut off."""
    data = draw(whole)
    if not draw(st.booleans()):
        return data
    at = draw(st.integers(0, len(data) - 1))
    return data[:at] if draw(st.booleans()) else data[:at] + draw(st.binary(min_size=1, max_size=1)) + data[at + 1 :]  # fmt: skip


@pytest.mark.slow
@UNLIMITED
@given(spoilt(snmp.response()))
def test_pysnmp_reads_the_same_response(data: bytes) -> None:
    """Every value is the same. Nothing is taken here that pysnmp refuses, but for an error-index beyond the bindings.

    That index is used only where it names one of the objects that were asked for, so no verdict follows from it.
    """
    version = "1" if data[4:5] == b"\0" else "2c"
    theirs = pysnmps(version, data)
    try:
        ours = response.decode(version, data, NUMBER)
    except MalformedReply as exc:
        assert theirs is None or any(reason in str(exc) for reason in STRICTER), exc
        return
    assert theirs is not None
    status, index, values = theirs
    assert (ours.status, ours.index) == (status, index)
    assert list(ours.bindings) == values


def pysnmps(version: str, data: bytes) -> tuple[int, int, list[response.Binding | None]] | None:
    """Status, index and values of a Response to our request; None where it is refused, or is none."""
    codec = CODECS[version]
    try:
        message, _ = decoder.decode(data, asn1Spec=codec.Message())
        pdu = codec.apiMessage.get_pdu(message)
        if int(codec.apiMessage.get_version(message)) != response.VERSIONS[version]:
            return None
        if not pdu.isSameTypeWith(codec.GetResponsePDU()) or int(codec.apiPDU.get_request_id(pdu)) != NUMBER:
            return None
        pairs = codec.apiPDU.get_varbinds(pdu)
        values = [binding(str(oid), value) for oid, value in pairs]
        return int(codec.apiPDU.get_error_status(pdu)), int(pdu.getComponentByPosition(2)), values
    except (PyAsn1Error, ArithmeticError, ValueError, TypeError, LookupError, AttributeError, RecursionError):
        return None  # whatever its decoder raises on hostile bytes


def binding(oid: str, value: Any) -> response.Binding | None:
    name = type(value).__name__
    if name in ("NoSuchObject", "NoSuchInstance", "EndOfMibView", "Null", "UnSpecified"):
        return None
    if name in ("OctetString", "Opaque", "Bits", "IpAddress"):
        return response.Binding(oid, octets=bytes(value.asOctets()))
    if name == "ObjectIdentifier":
        return response.Binding(oid, object_id=str(value))
    return response.Binding(oid, number=int(value))


@pytest.mark.slow
@UNLIMITED
@given(spoilt(snmp.report()))
def test_pysnmp_reads_the_same_message_of_version_3(data: bytes) -> None:
    """Header and security parameters are the same, and nothing is taken here that pysnmp refuses."""
    try:
        message, _ = decoder.decode(data, asn1Spec=SNMPv3Message())
        security, _ = decoder.decode(bytes(message[2]), asn1Spec=UsmSecurityParameters())
        theirs = [
            int(message[0]),
            int(message[1][0]),
            bytes(message[1][2])[0],
            *(security[i] for i in range(6)),
        ]
    except (PyAsn1Error, ArithmeticError, ValueError, TypeError, LookupError, AttributeError, RecursionError):
        theirs = None
    try:
        ours = Message(data, NUMBER)
        if not ours.flags & 2:
            response.pdu(ours.scoped())
    except MalformedReply as exc:
        assert (
            theirs is None
            or theirs[:2] != [3, NUMBER]
            or any(reason in str(exc) for reason in STRICTER)
            or "flags" in str(exc)  # encrypted or not, against its own header: RFC 3412 section 6.7
        ), exc
        return
    assert theirs is not None
    engine, boots, time, _, digest, salt = theirs[3:]
    assert theirs[:3] == [3, NUMBER, ours.flags]
    assert (ours.engine_id, ours.boots, ours.time) == (bytes(engine), int(boots), int(time))
    assert (ours.digest, ours.salt) == (bytes(digest), bytes(salt))
    assert data[ours.digest_at :].startswith(ours.digest) and digest_offset(data) == ours.digest_at
