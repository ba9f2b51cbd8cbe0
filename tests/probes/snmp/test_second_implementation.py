"""SNMP responses as another implementation reads them: ours are read by pysnmp's codec, these by scapy's."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from support.messages import snmp
from support.parsers.registry import NUMBER

from hardenprobe.errors import MalformedReply
from hardenprobe.network.scapy_loader import scapy_module
from hardenprobe.probes.snmp import pdu

# What ours refuses and scapy takes: scapy holds no value to its range (RFC 3416 section 3), knows no version, and asks for nothing.
STRICTER = ("another version", "ProtocolError", "PyAsn1Error", "another request", "ValueConstraintError")


@pytest.mark.slow
@settings(suppress_health_check=[HealthCheck.too_slow], max_examples=30, deadline=None)
@given(snmp.response())
def test_scapy_reads_the_same_response(data: bytes) -> None:
    """Every value that both read is the same. What ours takes and scapy does not:

    - Opaque values (RFC 2578 section 7.1.9) and noSuchInstance (RFC 3416 section 3), which scapy does not know.
    - Lengths in the indefinite form, which RFC 3417 section 8 forbids. The response still holds the number of our request, which
      only an agent that has read it can know; a verdict follows from that number, and from no length.
    """
    version = "1" if data[4:5] == b"\0" else "2c"
    why = ""
    try:
        ours = pdu.decode(version, data, NUMBER)
    except MalformedReply as exc:
        ours, why = None, str(exc)
    theirs = scapys(data)
    if theirs is None:
        assert ours is None or None in ours.bindings or b"\x44" in data or b"\x80" in data
        return
    if ours is None:
        assert any(reason in why for reason in STRICTER), why
        return
    assert (ours.status, ours.index) == theirs[:2]
    assert len(ours.bindings) == len(theirs[2])
    for mine, (oid, value) in zip(ours.bindings, theirs[2], strict=True):
        if mine is not None:
            assert mine.oid == oid
        if mine is not None and isinstance(value, int):
            assert mine.number == value


def scapys(data: bytes) -> tuple[int, int, list[tuple[str, Any]]] | None:
    """Status, index and values; None where scapy refuses the message, or it is no response."""
    layer = scapy_module("layers.snmp")
    try:
        found = layer.SNMP(data).PDU
        if not isinstance(found, layer.SNMPresponse):
            return None
        values = [(one.oid.val, one.value.val) for one in found.varbindlist or []]
        return found.error.val, found.error_index.val, values
    except Exception:  # noqa: BLE001 - scapy raises whatever its parser comes upon
        return None
