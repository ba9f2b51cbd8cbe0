"""SNMP over real datagrams, and codecs that any bytes may meet."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyasn1.codec.ber import decoder, encoder
from pysnmp.proto import api
from pysnmp.proto.mpmod.rfc3412 import SNMPv3Message
from pysnmp.proto.secmod.rfc3414.service import UsmSecurityParameters

from hardenprobe.errors import MalformedReply
from hardenprobe.model import State
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.snmp import agent as snmp
from hardenprobe.probes.snmp.pdu import encode
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.scope import Scope

QUICK = Timing(connect=0.5, greeting=0.06, reply=0.2, pause=0.0)
CODECS = {
    "1": api.PROTOCOL_MODULES[api.SNMP_VERSION_1],
    "2c": api.PROTOCOL_MODULES[api.SNMP_VERSION_2C],
}
VERSIONS = st.sampled_from(["1", "2c"])
IDS = st.integers(1, 2**31 - 1)
OIDS = st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=10).map(
    lambda arcs: ".".join(map(str, (1, 3, *arcs)))
)


def response(
    version: str,
    request: bytes,
    values: dict[str, bytes] | None = None,
    *,
    status: int = 0,
    request_id: int | None = None,
) -> bytes:
    """Answer a GetRequest as an agent would."""
    codec = CODECS[version]
    message, _ = decoder.decode(request, asn1Spec=codec.Message())
    asked = codec.apiMessage.get_pdu(message)
    pdu = codec.apiPDU.get_response(asked)
    if request_id is not None:
        codec.apiPDU.set_request_id(pdu, request_id)
    codec.apiPDU.set_error_status(pdu, status)
    if values is None:
        values = {str(oid): b"value" for oid, _ in codec.apiPDU.get_varbinds(asked)}
    codec.apiPDU.set_varbinds(pdu, [(oid, codec.OctetString(value)) for oid, value in values.items()])
    answer = codec.Message()
    codec.apiMessage.set_defaults(answer)
    codec.apiMessage.set_community(answer, codec.apiMessage.get_community(message))
    codec.apiMessage.set_pdu(answer, pdu)
    return bytes(encoder.encode(answer))


def report(request: bytes, engine: bytes = b"\x80\x00\x01\x02\x05engine", shift: int = 0) -> bytes:
    """Answer an engine discovery with usmStatsUnknownEngineIDs (RFC 3414 section 3.2)."""
    message, _ = decoder.decode(request, asn1Spec=SNMPv3Message())
    message[1][0] = int(message[1][0]) + shift
    security = UsmSecurityParameters()
    for i, value in enumerate((engine, 7, 1234, b"", b"", b"")):
        security.setComponentByPosition(i, value)
    message[2] = encoder.encode(security)
    codec = CODECS["2c"]
    pdu = codec.ReportPDU()
    codec.apiPDU.set_defaults(pdu)
    codec.apiPDU.set_varbinds(pdu, [("1.3.6.1.6.3.15.1.1.4.0", codec.Counter32(1))])
    scoped = message[3].getComponent()
    pdus = scoped.setComponentByPosition(2).getComponentByPosition(2)
    pdus.setComponentByType(pdu.tagSet, pdu)
    return bytes(encoder.encode(message))


class Agent(asyncio.DatagramProtocol):
    """Answers each datagram with what `answer` makes of it."""

    def __init__(self, answer: Callable[[bytes], bytes | None]) -> None:
        self.answer = answer
        self.received: list[bytes] = []

    def connection_made(self, transport: asyncio.DatagramTransport) -> None:  # type: ignore[override]
        self.through = transport

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        self.received.append(data)
        reply = self.answer(data)
        if reply is not None:
            self.through.sendto(reply, addr)


@asynccontextmanager
async def agent(answer: Callable[[bytes], bytes | None]) -> AsyncIterator[tuple[DeviceLink, Agent]]:
    loop = asyncio.get_running_loop()
    transport, peer = await loop.create_datagram_endpoint(lambda: Agent(answer), ("127.0.0.1", 0))
    real = transport.get_extra_info("sockname")[1]
    try:
        yield (
            DeviceLink(
                address="127.0.0.1", permit=Scope.loopback(), timing=QUICK, port_offset=real - snmp.PORT
            ),
            peer,
        )
    finally:
        transport.close()


def ask(answer: Callable[[bytes], bytes | None], version: str = "2c", origin: str = "default"):  # type: ignore[no-untyped-def]
    async def run():  # type: ignore[no-untyped-def]
        async with agent(answer) as (line, peer):
            began = time.monotonic()
            seen = await snmp.ask_community(line, version, "canary-public", origin=origin, label="public")
            return seen, peer.received, time.monotonic() - began

    return asyncio.run(run())


def discover(answer: Callable[[bytes], bytes | None]):  # type: ignore[no-untyped-def]
    async def run():  # type: ignore[no-untyped-def]
        async with agent(answer) as (line, _):
            began = time.monotonic()
            return await snmp.discover_engine(line), time.monotonic() - began

    return asyncio.run(run())


# --- over the line


@pytest.mark.parametrize("version", ["1", "2c"])
def test_answer_under_a_community(version: str) -> None:
    seen, received, _ = ask(lambda data: response(version, data), version)
    facts = seen.facts
    assert (facts.version, facts.label, facts.state) == (version, "public", State.ACCEPTING)
    assert (facts.error_status, facts.fault) == (0, None)
    assert facts.values == dict.fromkeys(snmp.IDENTITY, "value")
    assert len(received) == 1


def test_narrow_view_is_an_answer_without_values() -> None:
    facts = ask(lambda data: response("1", data, {}, status=snmp.NO_SUCH_NAME), "1")[0].facts
    assert (facts.state, facts.error_status, facts.values) == (State.ACCEPTING, 2, {})


def test_silence_and_refusal() -> None:
    seen, received, took = ask(lambda _: None)
    assert (seen.facts.state, seen.facts.error_status) == (State.SILENT, None)
    assert len(received) == 2 and received[0] == received[1]
    assert took < 1

    async def run() -> State:
        async with agent(lambda _: None) as (line, _):
            pass  # closed again: nobody holds the port
        return (await snmp.ask_community(line, "2c", "public", origin="default")).facts.state

    assert asyncio.run(run()) is State.REFUSING


def test_supplied_community_is_starred_and_a_default_is_not() -> None:
    supplied = ask(lambda data: response("2c", data), origin="supplied")[0]
    assert all(b"canary-public" not in bytes.fromhex(e.hex) for e in supplied.transcript)
    assert any(b"*" * 13 in bytes.fromhex(e.hex) for e in supplied.transcript)
    default = ask(lambda data: response("2c", data))[0]
    assert b"canary-public" in bytes.fromhex(default.transcript[0].hex)


def test_engine_discovery() -> None:
    seen, _ = discover(report)
    facts = seen.facts
    assert facts.state is State.ACCEPTING
    assert facts.engine_id == (b"\x80\x00\x01\x02\x05engine").hex()
    assert (facts.boots, facts.time, facts.report) == (7, 1234, "1.3.6.1.6.3.15.1.1.4.0")


# --- hostile agents

DEEP = b"\x30\x80" * 10_000
LONG_INTEGER = b"\x30\x82\xff\x00\x02\x82\xfe\xfc" + b"\x7f" * 0xFEFC
LONG_OID = b"\x06\x82\xfe\xfc" + b"\x81" * 0xFEFB + b"\x01"
HOSTILE = {
    "empty sequence": b"\x30\x00",
    "garbage": bytes(range(256)),
    "nested 10,000 deep": DEEP,
    "length that lies": b"\x30\x84\xff\xff\xff\xff\x02",
    "length of lengths": b"\x30\xff" + b"\xff" * 127,
    "integer of 65,000 bytes": LONG_INTEGER,
    "arc of 65,000 bytes": b"\x30\x82\xff\x00" + LONG_OID,
    "largest datagram": b"\x30" * 65_000,
    "indefinite without end": b"\x30\x80\x02\x01\x01",
    "wrong types": bytes.fromhex("300c020101040161a305040161040161"),
}


@pytest.mark.parametrize("reply", HOSTILE.values(), ids=HOSTILE)
def test_malformed_reply_is_a_fault_in_the_facts(reply: bytes) -> None:
    for version in ("1", "2c"):
        seen, _, took = ask(lambda _: reply, version)
        assert seen.facts.state is State.ACCEPTING
        assert seen.facts.error_status is None and seen.facts.values is None
        assert seen.facts.fault and len(seen.facts.fault) < 200
        assert took < 3
    seen, took = discover(lambda _: reply)
    assert (seen.facts.state, seen.facts.engine_id) == (State.ACCEPTING, None)
    assert seen.facts.fault and took < 3


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda m: b"\x30\x80" + m[2:] + b"\0\0", id="a length without an end"),
        pytest.param(
            lambda m: m.replace(b"\x04\x06public", b"\x24\x08\x04\x06public"), id="a string in parts"
        ),
    ],
)
def test_forms_of_ber_that_snmp_forbids_are_malformed(change: Callable[[bytes], bytes]) -> None:
    """RFC 3417 section 8; any number of octets in a length is allowed, X.690 section 8.1.3.5."""
    request = encode("2c", b"public", "get", (snmp.SYS_NAME,), 7)
    good = response("2c", request)
    assert snmp.decode_response("2c", b"\x30\x84" + len(good[2:]).to_bytes(4) + good[2:], 7)[0] == 0
    with pytest.raises(MalformedReply, match="cannot be read"):
        snmp.decode_response("2c", change(good), 7)


def test_response_to_another_request_is_not_ours() -> None:
    facts = ask(lambda data: response("2c", data, request_id=1))[0].facts
    assert facts.error_status is None
    assert facts.fault == "SNMP response to another request"


def test_reply_of_another_version_is_not_ours() -> None:
    def other(data: bytes) -> bytes:
        good = bytearray(response("2c", data))
        good[good.index(b"\x02\x01\x01") + 2] = 0
        return bytes(good)

    assert ask(other)[0].facts.fault == "SNMP reply of another version"


def test_our_own_request_sent_back_is_no_response() -> None:
    assert ask(lambda data: data)[0].facts.fault == "SNMP message that is no response"
    assert discover(lambda data: data)[0].facts.report is None


def test_report_to_another_message_is_not_ours() -> None:
    facts = discover(lambda data: report(data, shift=1))[0].facts
    assert (facts.engine_id, facts.fault) == (None, "SNMPv3 reply to another message")


def test_values_are_bounded_and_kept_as_they_came() -> None:
    hostile = b"\x1b]0;owned\x07\xff" + b"x" * 5000
    facts = ask(lambda data: response("2c", data, {snmp.SYS_NAME: hostile}))[0].facts
    assert facts.values[snmp.SYS_NAME].startswith("\x1b]0;owned\x07\\xff")
    assert len(facts.values[snmp.SYS_NAME]) <= 4 * 256


def test_engine_id_is_bounded() -> None:
    assert len(discover(lambda data: report(data, b"e" * 3000))[0].facts.engine_id or "") <= 2 * 64


# --- the codecs


@pytest.mark.slow
@given(VERSIONS, st.binary(max_size=64), st.lists(OIDS, min_size=1, max_size=6, unique=True), IDS)
def test_request_comes_back_as_it_went(
    version: str, community: bytes, oids: list[str], request_id: int
) -> None:
    data = encode(version, community, "get", oids, request_id)
    codec = CODECS[version]
    message, rest = decoder.decode(data, asn1Spec=codec.Message())
    pdu = codec.apiMessage.get_pdu(message)
    assert rest == b""
    assert int(codec.apiMessage.get_version(message)) == {"1": 0, "2c": 1}[version]
    assert bytes(codec.apiMessage.get_community(message)) == community
    assert int(codec.apiPDU.get_request_id(pdu)) == request_id
    assert [str(oid) for oid, _ in codec.apiPDU.get_varbinds(pdu)] == oids
    with pytest.raises(MalformedReply):
        snmp.decode_response(version, data, request_id)  # a request is no response


@pytest.mark.slow
@given(
    VERSIONS,
    IDS,
    st.dictionaries(OIDS, st.text(st.characters(codec="ascii"), max_size=50).map(str.encode), max_size=5),
    st.integers(0, 5),
)
def test_response_comes_back_as_it_was_meant(
    version: str, request_id: int, values: dict[str, bytes], status: int
) -> None:
    request = encode(version, b"public", "get", (snmp.SYS_NAME,), request_id)
    reply = response(version, request, values, status=status)
    found = snmp.decode_response(version, reply, request_id)
    assert found == (status, {oid: value.decode() for oid, value in values.items()})
    with pytest.raises(MalformedReply, match="another request"):
        snmp.decode_response(version, reply, request_id % (2**31 - 1) + 1)


@given(IDS)
def test_discovery_round_trip(message_id: int) -> None:
    request = snmp.encode_discovery(message_id)
    facts = snmp.decode_discovery(report(request), message_id)
    assert (facts.state, facts.boots, facts.time) == (State.ACCEPTING, 7, 1234)
    with pytest.raises(MalformedReply):
        snmp.decode_discovery(report(request), message_id % (2**31 - 1) + 1)


@st.composite
def spoilt(draw: st.DrawFn, whole: bytes) -> bytes:
    """A good message with bytes changed, taken out or put in."""
    data = bytearray(whole)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data)))
        match draw(st.sampled_from(["change", "cut", "insert", "end"])):
            case "change" if at < len(data):
                data[at] = draw(st.integers(0, 255))
            case "cut":
                del data[at : at + draw(st.integers(1, 5))]
            case "insert":
                data[at:at] = draw(st.binary(min_size=1, max_size=5))
            case "end":
                del data[max(1, at) :]
    return bytes(data)


REQUEST = {version: encode(version, b"public", "get", snmp.IDENTITY, 4711) for version in CODECS}
GOOD = {version: response(version, request) for version, request in REQUEST.items()}
GOOD_REPORT = report(snmp.encode_discovery(4711))


@given(st.data())
def test_no_bytes_raise_anything_but_malformed_reply(data: st.DataObject) -> None:
    version = data.draw(VERSIONS)
    reply = data.draw(st.binary(max_size=200) | spoilt(GOOD[version]))
    try:
        status, values = snmp.decode_response(version, reply, 4711)
    except MalformedReply:
        pass
    else:
        assert isinstance(status, int)
        assert all(len(text) <= 4 * 256 for text in values.values())
    reply = data.draw(st.binary(max_size=200) | spoilt(GOOD_REPORT))
    try:
        facts = snmp.decode_discovery(reply, 4711)
    except MalformedReply:
        pass
    else:
        assert len(facts.engine_id or "") <= 2 * 64
