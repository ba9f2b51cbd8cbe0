"""SNMP beyond a Get: codecs that any bytes may meet, walks that end, a write-back that changes nothing, users."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyasn1.codec.ber import decoder
from pysnmp.proto import api, rfc1902
from support.snmp_agent import agent

import hardenprobe
from hardenprobe.demo_lab import mib
from hardenprobe.demo_lab import usm as answering
from hardenprobe.demo_lab.service_snmp import Snmp
from hardenprobe.devices.credentials import Secret, User
from hardenprobe.devices.inventory import Listed
from hardenprobe.errors import MalformedReply
from hardenprobe.facts import AccessEntry, Channel, SnmpAnswer, SnmpEngine, SnmpObjects, Subnet
from hardenprobe.model import State
from hardenprobe.model.transcript import Recorder
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.snmp import objects as snmp_objects
from hardenprobe.probes.snmp import pdu as snmp_pdu
from hardenprobe.probes.snmp import strain, supplied, usm
from hardenprobe.probes.snmp import write as snmp_write
from hardenprobe.probes.snmp.response import Binding, Response, decode
from hardenprobe.scope.scope import Scope

ENGINE = usm.Engine(b"\x80\x00\x7e\xd9\x05depth", 1, 1)
CONTACT = b"\xc4berfahrt, \x00 extension 7"
CODEC: Any = api.PROTOCOL_MODULES[api.SNMP_VERSION_2C]


def reader(auth: str = "SHA-256", password: str = "lab-reads-only") -> User:
    return User(
        name="reader",
        auth=auth,
        auth_password=Secret(password),
        priv="AES-128",
        priv_password=Secret("lab-keeps-mum"),
    )


def lab_agent(table: mib.Table, **more: Any) -> Callable[[bytes], bytes | None]:
    service = Snmp(versions=("1", "2c"), communities=("public",), **more)
    return lambda data: service._community_answer(data, "2c", {b"public"}, table)


def table(contact: bytes = CONTACT) -> mib.Table:
    objects = {
        (1, 3, 6, 1, 2, 1, 1, 1, 0): lambda: rfc1902.OctetString(b"Printer"),
        mib.SYS_CONTACT: lambda: rfc1902.OctetString(contact),
        (1, 3, 6, 1, 2, 1, 4, 1, 0): lambda: rfc1902.Integer32(1),
        (1, 3, 6, 1, 2, 1, 25, 3, 2, 1, 2, 1): lambda: rfc1902.ObjectIdentifier("1.3.6.1.2.1.25.3.1.5"),
    }
    return mib.Table(objects)


# ---- codecs


@given(st.binary(max_size=300), st.sampled_from(["1", "2c"]))
def test_any_bytes_are_a_response_or_malformed(data: bytes, version: str) -> None:
    with suppress(MalformedReply):
        decode(version, data, 1)


@st.composite
def spoilt(draw: st.DrawFn, whole: bytes) -> bytes:
    data = bytearray(whole)
    for _ in range(draw(st.integers(1, 4))):
        data[draw(st.integers(0, len(data) - 1))] = draw(st.integers(0, 255))
    return bytes(data[: draw(st.integers(0, len(data)))] if draw(st.booleans()) else data)


@given(st.data(), st.sampled_from(sorted(usm.LEVELS)))
def test_any_spoilt_message_is_a_reply_or_malformed(data: st.DataObject, level: str) -> None:
    user = reader()
    request = usm.encode(user, level, ENGINE, snmp_pdu.request_pdu("3", "get", (snmp_pdu.SYS_CONTACT,), 7), 7)
    for piece in (data.draw(spoilt(request)), data.draw(st.binary(max_size=200))):
        with suppress(MalformedReply):
            usm.decode(user, level, ENGINE, piece, 7)


@given(st.binary(max_size=255), st.sampled_from(["1", "2c"]))
def test_the_only_set_names_sys_contact_and_carries_what_was_read(contact: bytes, version: str) -> None:
    data = snmp_pdu.encode_write_back(version, b"public", contact, 7)
    codec: Any = api.PROTOCOL_MODULES[{"1": api.SNMP_VERSION_1, "2c": api.SNMP_VERSION_2C}[version]]
    message, rest = decoder.decode(data, asn1Spec=codec.Message())
    pdu = codec.apiMessage.get_pdu(message)
    assert not rest
    assert pdu.isSameTypeWith(codec.SetRequestPDU())
    ((oid, value),) = codec.apiPDU.get_varbinds(pdu)
    assert (str(oid), bytes(value)) == ("1.3.6.1.2.1.1.4.0", contact)


def test_no_other_set_is_in_the_code() -> None:
    """The word of the PDU stands once in all that a scan runs."""
    package = Path(hardenprobe.__file__).parent
    places = [
        file.name
        for file in sorted(package.rglob("*.py"))
        for _ in range(file.read_text().count("SetRequest"))
    ]
    assert places == ["pdu.py"]
    with pytest.raises(ValueError, match="256 octets"):
        snmp_pdu.encode_write_back("2c", b"public", bytes(256), 7)


# ---- walks


def walked(
    *responses: Response | None, columns: Sequence[str] = ("1.3.1", "1.3.2")
) -> tuple[dict[str, list[str]], int]:
    asked = 0

    async def ask(oids: Sequence[str]) -> Response | None:
        nonlocal asked
        asked += 1
        return responses[min(asked, len(responses)) - 1]

    rows, _ = asyncio.run(snmp_objects.walk(ask, columns))
    return {column: list(cells) for column, cells in rows.items()}, asked


def test_a_walk_ends_where_the_columns_end() -> None:
    first = Response(0, 0, (Binding("1.3.1.1"), Binding("1.3.2.1")))
    second = Response(0, 0, (Binding("1.3.2.1"), Binding("1.3.2.2")))
    assert walked(first, second, Response(0, 0, (None,))) == ({"1.3.1": ["1"], "1.3.2": ["1", "2"]}, 3)


def test_a_version_1_agent_loses_the_column_that_has_no_next() -> None:
    found, asked = walked(Response(2, 1, ()), Response(0, 0, (Binding("1.3.2.1"),)), Response(2, 1, ()))
    assert (found, asked) == ({"1.3.1": [], "1.3.2": ["1"]}, 3)


@pytest.mark.parametrize(
    "answer",
    [
        Response(0, 0, (Binding("1.3.1.1"), Binding("1.3.2.1"))),  # the same row for ever
        Response(0, 0, ()),
        Response(5, 9, ()),
        Response(2, 0, ()),
        Response(0, 0, (Binding("9.9"), Binding("1.3"), Binding("1.3.1.7"))),
        None,
    ],
)
def test_a_hostile_agent_ends_the_walk(answer: Response | None) -> None:
    assert walked(answer)[1] <= 2


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        (None, "silent"),
        (Response(5, 0, ()), "error-status 5"),
        (Response(0, 0, (Binding("1.3.1.1"),)), "fewer"),
        (Response(0, 0, (Binding("1.3.1"), None)), "does not follow"),
        (Response(0, 0, (Binding("1.2.9"), None)), "does not follow"),
        (Response(0, 0, (None, None)), None),
        (Response(0, 0, (Binding("1.3.3"), Binding("1.3.3"))), None),
    ],
)
def test_a_walk_tells_whether_rows_may_be_missing(answer: Response | None, why: str | None) -> None:
    async def ask(oids: Sequence[str]) -> Response | None:
        return answer

    _, fault = asyncio.run(snmp_objects.walk(ask, ("1.3.1", "1.3.2")))
    assert (why in fault) if why and fault else why == fault


@pytest.mark.parametrize(
    ("target", "notify", "told"),
    [
        (1, 1, [(1, True)]),
        (2, 1, []),
        (1, 2, [(1, False)]),
        (None, None, [(1, True)]),
    ],
    ids=["both in use", "the receiver is not in service", "the notification is not", "not shown"],
)
def test_a_receiver_that_is_not_in_use_is_none(target: int | None, notify: int | None, told: Any) -> None:
    """RowStatus, RFC 2579: active(1), notInService(2)."""
    cells: dict[str, dict[str, Binding]] = {column: {} for column in snmp_objects.COLUMNS}
    cells[snmp_objects.TARGET_ADDRESS]["1.97"] = Binding("", octets=bytes((192, 0, 2, 9, 0, 162)))
    cells[snmp_objects.TARGET_TAGS]["1.97"] = Binding("", octets=b"alerts")
    cells[snmp_objects.TARGET_PARAMS]["1.97"] = Binding("", octets=b"v2")
    cells[snmp_objects.PARAMS_MODEL]["118.50"] = Binding("", number=1)
    cells[snmp_objects.NOTIFY_TAG]["1.98"] = Binding("", octets=b"alerts")
    for column, index, number in (
        (snmp_objects.TARGET_STATUS, "1.97", target), (snmp_objects.NOTIFY_STATUS, "1.98", notify),
    ):  # fmt: skip
        if number is not None:
            cells[column][index] = Binding("", number=number)
    found = snmp_objects.read(cells, "2c", "public", "default").targets
    assert [(one.model, one.notified) for one in found] == told


@pytest.mark.parametrize(
    ("column", "fault"),
    [
        (snmp_objects.IF_TYPE, f"{snmp_objects.ROUNDS} rows were read, and there may be more"),
        (snmp_objects.JOB_OWNER, None),
        (snmp_objects.MODEL, None),
    ],
    ids=["interfaces", "jobs, of which some are enough", "parts of the device, of which the first is enough"],
)
def test_a_table_that_was_not_read_to_its_end_says_so(column: str, fault: str | None) -> None:
    numbers = iter(range(1, 99))

    async def ask(oids: Sequence[str]) -> Response | None:
        return Response(0, 0, (Binding(f"{column}.{next(numbers)}"),))

    assert asyncio.run(snmp_objects.walk(ask, (column,)))[1] == fault


def test_an_endless_column_is_cut() -> None:
    rows = [Response(0, 0, (Binding(f"1.3.1.{n}"),)) for n in range(1, 99)]
    assert walked(*rows, columns=("1.3.1",))[1] == snmp_objects.ROUNDS


# ---- over datagrams


def objects(answer: Callable[[bytes], bytes | None]) -> Any:
    async def run() -> Any:
        async with agent(answer) as line:
            return await snmp_objects.ask_objects(line, "2c", b"public", "public", "default")

    return asyncio.run(run())


def test_text_about_people_is_starred_and_counted() -> None:
    seen = objects(lab_agent(table(b"Imke Sandvoort")))
    assert [(p.what, p.count, p.masks) for p in seen.facts.personal] == [("contact", 1, ("**** *********",))]
    sent = "".join(e.hex for e in seen.transcript)
    assert b"Sandvoort".hex() not in sent
    assert (b"*" * 14).hex() in sent
    assert seen.facts.forwarding == 1
    assert seen.facts.device_types == ("1.3.6.1.2.1.25.3.1.5",)  # RFC 2790, hrDevicePrinter


def test_what_cannot_be_read_is_not_kept() -> None:
    seen = objects(lambda data: b"0\x05Sandvoort")
    assert seen.facts.fault
    assert all(e.direction == "sent" for e in seen.transcript)


def test_a_raw_channel_is_never_spoken_to() -> None:
    line = DeviceLink(address="127.0.0.1", permit=Scope.loopback())
    assert line.speaks(8080, "http")
    channels = (Channel(type=37, port=8080), Channel(type=44, port=631), Channel(type=11, port=None))
    snmp_objects.hush(line, SnmpObjects(version="1", label="public", origin="default", channels=channels))
    assert not line.speaks(8080, "http")
    assert line.speaks(631, "http")


@pytest.mark.parametrize(
    ("row", "network"),
    [
        ("5.2.1.4.192.0.2.0.24", Subnet(interface="2", network="192.0.2.0/24")),
        ("5.3.2.16.32.1.13.184.0.0.0.0.0.0.0.0.0.0.0.0.64", Subnet(interface="3", network="2001:db8::/64")),
        ("5.2.1.4.192.0.2.0", None),  # no length
        ("5.2.1.4.192.0.2.0.33", None),
        ("5.2.1.4.192.0.2.999.24", None),
        ("5.2.1.16.192.0.2.0.24", None),
        ("5.2.4.20.254.128.0.0.0.0.0.0.0.0.0.0.0.0.0.1.0.0.0.2.64", None),  # with a zone
        ("", None),
    ],
)
def test_the_prefix_of_an_address_is_read_from_the_row_that_it_points_at(
    row: str, network: Subnet | None
) -> None:
    """RFC 4293, ipAddressPrefix and the index of ipAddressPrefixTable; RFC 4001, InetAddressType."""
    rows = {column: {} for column in snmp_objects.COLUMNS} | {
        snmp_objects.PREFIX: {"1": Binding("1", object_id=f"{snmp_objects.PREFIX_ROW}.{row}")}
    }
    assert snmp_objects.read(rows, "2c", "public", "default").subnets == ((network,) if network else ())


@pytest.mark.parametrize(
    ("index", "view", "families", "told"),
    [
        ("3.108.97.98.0.2.1", b"all", {"3.97.108.108.1.1": 1}, [AccessEntry(model=2, level=1, writes=True)]),
        ("3.108.97.98.0.2.1", b"all", {"3.97.108.108.1.1": 2}, [AccessEntry(model=2, level=1, writes=False)]),
        (
            "3.108.97.98.0.2.1",
            b"none",
            {"3.97.108.108.1.1": 1},
            [AccessEntry(model=2, level=1, writes=False)],
        ),
        ("3.108.97.98.0.3.3", b"", {"0": 1}, [AccessEntry(model=3, level=3, writes=False)]),
        ("7", b"all", {"99": 1}, []),
    ],
    ids=["included", "excluded", "a view that holds nothing", "no view", "an index that is none"],
)
def test_a_write_view_counts_where_it_holds_something(
    index: str, view: bytes, families: dict[str, int], told: list[AccessEntry]
) -> None:
    """RFC 3415, vacmAccessTable and vacmViewTreeFamilyTable."""
    rows = {column: {} for column in snmp_objects.COLUMNS} | {
        snmp_objects.WRITE_VIEW: {index: Binding("1", octets=view)},
        snmp_objects.VIEW_FAMILY: {at: Binding("1", number=kind) for at, kind in families.items()},
    }
    assert list(snmp_objects.read(rows, "2c", "public", "default").access) == told


def write(answer: Callable[[bytes], bytes | None]) -> Any:
    async def run() -> Any:
        async with agent(answer) as line:
            return await snmp_write.write_back(line, "2c", b"public", "public", "default")

    return asyncio.run(run())


def test_a_write_back_leaves_the_very_octets() -> None:
    here = table()
    seen = write(lab_agent(here, write_communities=("public",)))
    facts = seen.facts
    assert (facts.read, facts.written, facts.error_status, facts.same) == (True, True, 0, True)
    assert bytes(here.get(mib.SYS_CONTACT)) == CONTACT
    assert CONTACT.hex() not in "".join(e.hex for e in seen.transcript)
    assert [e.direction for e in seen.transcript] == ["sent", "received"] * 3


def test_a_refused_write_back() -> None:
    facts = write(lab_agent(table())).facts
    assert (facts.written, facts.error_status, facts.same) == (True, 16, True)


def test_an_agent_that_cannot_be_read_is_not_written_to() -> None:
    sets = 0

    def answer(data: bytes) -> bytes | None:
        nonlocal sets
        sets += data[13:14] == b"\xa3"  # the PDU's tag, after version and community
        return lab_agent(mib.EMPTY, write_communities=("public",))(data)

    facts = write(answer).facts
    assert (facts.read, facts.written, facts.error_status) == (False, False, None)
    assert write(lambda data: b"nonsense").facts.written is False
    assert write(lambda data: None).facts.state is State.SILENT
    assert sets == 0


def test_a_value_that_changes_under_the_write_is_told() -> None:
    here = table()
    inner = lab_agent(here, write_communities=("public",))

    def answer(data: bytes) -> bytes | None:
        reply = inner(data)
        if b"\xa3" in data[:20]:
            here.put(mib.SYS_CONTACT, rfc1902.OctetString(b"cut"))
        return reply

    assert write(answer).facts.same is False


def test_a_bulk_answer_is_measured() -> None:
    async def run() -> Any:
        async with agent(lab_agent(table())) as line:
            return await strain.ask_bulk(line, b"public", "public", "default")

    facts = asyncio.run(run()).facts
    assert facts.state is State.ACCEPTING
    assert facts.received > facts.sent > 30


# ---- users


def levels(user: User, known: answering.User) -> Any:
    def respond(pdu: Any) -> Any:
        return mib.respond(table(), pdu, version1=False)

    engine = answering.Engine(engine_id=ENGINE.id, users=(known,), respond=respond)

    async def run() -> Any:
        async with agent(engine.answer) as line:
            return await supplied.ask_user(line, user, ENGINE)

    return asyncio.run(run())


def known(**more: Any) -> answering.User:
    given = {"password": "lab-reads-only", "privacy_password": "lab-keeps-mum", **more}
    return answering.User(name="reader", **given)


@pytest.mark.parametrize(
    ("user", "other", "told"),
    [
        (reader(), known(), {"noAuthNoPriv": "denied", "authNoPriv": "denied", "authPriv": "served"}),
        (
            reader("SHA-1"),
            known(auth="SHA-1", lowest="authNoPriv"),
            {"noAuthNoPriv": "denied", "authNoPriv": "served", "authPriv": "served"},
        ),
        (reader(password="another one"), known(), {"noAuthNoPriv": "denied", "authNoPriv": "wrong-digest"}),
        (reader("MD5"), known(), {"noAuthNoPriv": "denied", "authNoPriv": "wrong-digest"}),
        (
            reader(),
            known(privacy_password="another one"),
            {"noAuthNoPriv": "denied", "authNoPriv": "denied", "authPriv": "wrong-key"},
        ),
        (User(name="nobody"), known(), {"noAuthNoPriv": "unknown-user"}),
    ],
)
def test_levels_as_an_engine_of_another_hand_serves_them(
    user: User, other: answering.User, told: dict[str, str]
) -> None:
    assert levels(user, other).facts.levels == told


def test_digests_and_ciphertext_are_starred() -> None:
    seen = levels(reader(), known(lowest="authNoPriv"))
    protected = [bytes.fromhex(e.hex) for e in seen.transcript][2:]
    assert len(protected) == 4
    for data in protected:
        assert data.endswith(b"*" * 24)
        assert data.rstrip(b"*")[-2:] == b"\x04\x18"  # the digest of SHA-256, RFC 7860 section 4.2.2


def test_a_secret_goes_to_nobody_but_a_confirmed_device() -> None:
    listed = Listed(asset_tag="HO-1", addresses=("127.0.0.1",), serial="QM-1", engine_id="8000")

    class Asked:
        def __init__(self, *facts: Any) -> None:
            self.facts = facts

        def of(self, kind: type[Any]) -> list[Any]:
            return [type("DeviceView", (), {"facts": f}) for f in self.facts if isinstance(f, kind)]

    def answer(origin: str, serial: str) -> SnmpAnswer:
        values = {"1.3.6.1.2.1.43.5.1.1.17.1": serial}
        return SnmpAnswer(version="2c", label="x", origin=origin, state=State.ACCEPTING, values=values)

    def by(*facts: Any, entry: Listed | None = listed) -> str | None:
        return supplied.confirmed(entry, Asked(*facts))  # type: ignore[arg-type]

    engine = SnmpEngine(state=State.ACCEPTING, engine_id="8000")
    assert by(answer("default", "QM-1")) == "serial"
    assert by(engine) == "engine id"
    assert by() is None
    assert by(answer("default", "QM-2")) is None
    assert by(answer("supplied", "QM-1")) is None, "a secret cannot vouch for itself"
    assert by(SnmpEngine(state=State.ACCEPTING, engine_id="9000")) is None
    assert by(engine, entry=None) is None
    assert by(engine, entry=Listed(asset_tag="HO-2", addresses=("127.0.0.1",))) is None


def test_a_secret_cut_by_the_end_of_a_capture_is_starred_too() -> None:
    recorder = Recorder()
    recorder.note("received", b"x" * 2040 + b"Imke Sandvoort" + b"y" * 50)
    recorder.forget(b"Imke Sandvoort")
    assert bytes.fromhex(recorder.exchanges[0].hex) == b"x" * 2040 + b"*" * 8
