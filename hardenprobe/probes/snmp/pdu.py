"""SNMP requests.

There is one Set in all of hardenprobe, `encode_write_back`: its object is fixed, and its value is what was just read.

Source: RFC 1157 section 4.1, RFC 3416 section 4.2.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from pyasn1.codec.ber import encoder
from pysnmp.proto import api, rfc1902

Kind = Literal["get", "next"]
SYS_CONTACT = "1.3.6.1.2.1.1.4.0"  # RFC 3418
LONGEST = 255  # octets of sysContact, RFC 3418

_CODECS: dict[str, Any] = {
    "1": api.PROTOCOL_MODULES[api.SNMP_VERSION_1],
    "2c": api.PROTOCOL_MODULES[api.SNMP_VERSION_2C],
    "3": api.PROTOCOL_MODULES[api.SNMP_VERSION_2C],
}


def request_pdu(version: str, kind: Kind, oids: Sequence[str], request_id: int) -> Any:
    """Make a Get or GetNext PDU."""
    codec = _CODECS[version]
    pdu = codec.GetRequestPDU() if kind == "get" else codec.GetNextRequestPDU()
    codec.apiPDU.set_defaults(pdu)
    codec.apiPDU.set_request_id(pdu, request_id)
    codec.apiPDU.set_varbinds(pdu, [(oid, codec.Null("")) for oid in oids])
    return pdu


def encode(version: str, community: bytes, kind: Kind, oids: Sequence[str], request_id: int) -> bytes:
    """Write a Get or GetNext of version 1 or 2c.

    Args:
        request_id: Signed, 32 bits.

    >>> encode("2c", b"public", "get", ("1.3.6.1.2.1.1.1.0",), 1).hex()
    '302602010104067075626c6963a019020101020100020100300e300c06082b060102010101000500'
    >>> encode("2c", b"public", "next", ("1.3.6.1.2.1.1",), 1).hex()
    '302402010104067075626c6963a117020101020100020100300c300a06062b06010201010500'
    """
    return _message(version, community, request_pdu(version, kind, oids, request_id))


def encode_bulk(community: bytes, oid: str, repetitions: int, request_id: int) -> bytes:
    """Write a GetBulk of version 2c for the successors of one object (RFC 3416 section 4.2.3)."""
    codec = _CODECS["2c"]
    pdu = codec.GetBulkRequestPDU()
    codec.apiBulkPDU.set_defaults(pdu)
    codec.apiBulkPDU.set_request_id(pdu, request_id)
    codec.apiBulkPDU.set_non_repeaters(pdu, 0)
    codec.apiBulkPDU.set_max_repetitions(pdu, repetitions)
    codec.apiBulkPDU.set_varbinds(pdu, [(oid, codec.Null(""))])
    return _message("2c", community, pdu)


def encode_write_back(version: str, community: bytes, contact: bytes, request_id: int) -> bytes:
    """Write the Set that puts sysContact back as it was read. Nothing else can be set.

    Raises:
        ValueError: The octets cannot be a sysContact.
    """
    if len(contact) > LONGEST:
        raise ValueError(f"sysContact of {len(contact)} octets")
    codec = _CODECS[version]
    pdu = codec.SetRequestPDU()
    codec.apiPDU.set_defaults(pdu)
    codec.apiPDU.set_request_id(pdu, request_id)
    codec.apiPDU.set_varbinds(pdu, [(SYS_CONTACT, rfc1902.OctetString(contact))])
    return _message(version, community, pdu)


def _message(version: str, community: bytes, pdu: Any) -> bytes:
    codec = _CODECS[version]
    message = codec.Message()
    codec.apiMessage.set_defaults(message)
    codec.apiMessage.set_community(message, community)
    codec.apiMessage.set_pdu(message, pdu)
    return bytes(encoder.encode(message))
