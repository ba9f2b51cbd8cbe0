"""hardenprobe.probes.tls.codec, tls_ssl2, tls_suites, tls_thirteen"""

from __future__ import annotations

import contextlib
import ssl
import struct
from functools import cache

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.messages.tls import hello

from hardenprobe.errors import MalformedReply
from hardenprobe.probes.tls.codec import (
    CHAIN_LIMIT,
    ClientHello,
    Flight,
    broken_rule,
    read_chain,
    read_flight,
)
from hardenprobe.probes.tls.ssl2 import client_hello, read_server_hello
from hardenprobe.probes.tls.suites import (
    SSL2_SUITES,
    is_tls13,
    strongest_first,
    suite_name,
    suites,
)
from hardenprobe.probes.tls.tls13 import SHARED_GROUPS, Unsealer, key_share

HELLO = bytes.fromhex("0303") + bytes(32) + b"\x00" + bytes.fromhex("c02f00")


def message(kind: int, body: bytes) -> bytes:
    return bytes([kind]) + len(body).to_bytes(3, "big") + body


def record(body: bytes, kind: int = 22) -> bytes:
    return bytes([kind, 3, 3]) + struct.pack(">H", len(body)) + body


def certificates(*ders: bytes) -> bytes:
    entries = b"".join(len(d).to_bytes(3, "big") + d for d in ders)
    return message(11, len(entries).to_bytes(3, "big") + entries)


def good_flight() -> bytes:
    """TLS 1.2: ServerHello, Certificate, ServerKeyExchange with x25519, ServerHelloDone."""
    exchange = message(12, b"\x03" + struct.pack(">H", 29) + b"\x20" + bytes(32))
    return message(2, HELLO) + certificates(b"leaf", b"issuer") + exchange + message(14, b"")


def outcome(data: bytes) -> tuple[object, ...]:
    flight = read_flight(data)
    return (
        flight.hello and flight.hello.suite,
        flight.chain,
        flight.group,
        flight.alert,
        flight.done,
    )


@given(st.lists(st.integers(1, 90), max_size=12))
def test_records_may_cut_messages_anywhere(cuts: list[int]) -> None:
    rest, data = good_flight(), b""
    for cut in cuts:
        data += record(rest[:cut]) if rest[:cut] else b""
        rest = rest[cut:]
    data += record(rest) if rest else b""

    assert outcome(data) == (0xC02F, [b"leaf", b"issuer"], 29, None, True)


def test_every_prefix_of_a_good_flight_asks_for_more() -> None:
    data = record(good_flight())
    for end in range(len(data)):
        flight = read_flight(data[:end])

        assert not flight.done
        assert flight.alert is None


@settings(max_examples=300)
@given(st.binary(max_size=400))
@example(b"\x16\x03\x01\x40\x00" + b"\x02\x00\x00\x00")
@example(b"\x15\x03\x03\x00\x01\x02")
@example(record(message(2, HELLO[:-1])))
@example(record(message(2, HELLO + b"\xff\xff")))
@example(record(message(2, HELLO) + message(11, b"\xff\xff\xff")))
@example(record(message(2, HELLO) + message(12, b"\x03")))
def test_any_bytes_raise_nothing_but_malformed(data: bytes) -> None:
    for wrapped in (data, record(data), record(message(2, HELLO) + data), record(message(2, data))):
        try:
            flight = read_flight(wrapped)
        except MalformedReply:
            continue

        assert sum(map(len, flight.chain)) <= len(wrapped)


@settings(max_examples=200)
@given(st.binary(max_size=120), st.booleans())
def test_ssl2_survives_any_bytes(data: bytes, framed: bool) -> None:
    wrapped = struct.pack(">H", 0x8000 | len(data)) + data if framed else data
    with contextlib.suppress(MalformedReply):
        read_server_hello(wrapped)


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"HTTP/1.1 400 Bad Request\r\n\r\n", "record type 72"),
        (b"\x16\x02\x00", "record version 2"),
        (b"\x16\x03\x01\xff\xff", "record of 65535 bytes"),
        (record(b"\x02\xff\xff\xff"), "message of 16777215 bytes"),
        (record(message(11, b"\x00\x00\x00")), "before ServerHello"),
        (record(message(2, HELLO) * 2), "second ServerHello"),
        (record(b"\x01\x0a", 21) * 17, "nothing but warnings"),
        (record(message(2, bytes.fromhex("0399") + HELLO[2:])), "version 0x0399"),
    ],
)
def test_attacks_are_named(data: bytes, what: str) -> None:
    with pytest.raises(MalformedReply, match=what):
        read_flight(data)


def test_a_warning_is_not_final_and_close_notify_is() -> None:
    warned = record(b"\x01\x70", 21) + record(message(2, HELLO))
    assert read_flight(warned).hello is not None
    assert read_flight(warned).warnings == [112]
    assert read_flight(record(b"\x01\x00", 21)).done
    assert read_flight(record(b"\x02\x28", 21)).alert == (2, 40)


def test_a_chain_is_cut_at_its_bounds() -> None:
    many = certificates(*[b"x"] * (CHAIN_LIMIT + 3))
    kept, left_out = read_chain(many[4:])
    assert (len(kept), left_out) == (CHAIN_LIMIT, 3)


@pytest.mark.parametrize(
    ("suite", "body", "expected"),
    [
        (0x009E, struct.pack(">H", 128) + b"\xff" * 128, ("dh_bits", 1024)),
        (0x009E, struct.pack(">H", 129) + b"\x00" + b"\x7f" * 128, ("dh_bits", 1023)),
        (0xC018, b"\x03\x00\x17", ("group", 23)),
        (0xC02F, b"\x01\x00\x00", ("group", -1)),
        (0x0003, struct.pack(">H", 64) + b"\x80" + bytes(63), ("rsa_bits", 512)),
        (0x00AA, b"\x00\x04hint" + struct.pack(">H", 32) + b"\xff" * 32, ("dh_bits", 256)),
        (0xC035, b"\x00\x00\x03\x00\x1d", ("group", 29)),
    ],
)
def test_key_exchange_parameters(suite: int, body: bytes, expected: tuple[str, int]) -> None:
    hello = HELLO[:35] + struct.pack(">H", suite) + b"\x00"
    flight = read_flight(record(message(2, hello) + message(12, body)))

    assert getattr(flight, expected[0]) == expected[1]
    assert {"dh_bits", "group", "rsa_bits"} - {
        name for name in ("dh_bits", "group", "rsa_bits") if getattr(flight, name) is None
    } == {expected[0]}


def test_ssl2_hello_lists_all_kinds() -> None:
    kinds = b"".join(code.to_bytes(3, "big") for code in (0x010080, 0x0700C0))
    body = b"\x04\x00\x01\x00\x02" + struct.pack(">HHH", 3, len(kinds), 16) + b"der" + kinds + bytes(16)
    data = struct.pack(">H", 0x8000 | len(body)) + body
    hello = read_server_hello(data)

    assert hello is not None
    assert (hello.certificate, hello.suites) == (b"der", (0x010080, 0x0700C0))
    assert all(read_server_hello(data[:end]) is None for end in range(len(data)))


@pytest.mark.slow
def test_ssl2_bytes_agree_with_scapy() -> None:
    sslv2 = pytest.importorskip("scapy.layers.tls.handshake_sslv2")
    ours = client_hello(bytes(16))
    theirs = sslv2.SSLv2ClientHello(ours[2:])

    assert theirs.version == 2
    assert list(theirs.ciphers) == list(SSL2_SUITES)
    assert theirs.challenge == bytes(16)


def test_hello_is_taken_by_the_standard_library() -> None:
    """A server of our own OpenSSL answers the whole offer; it would send decode_error to a malformed one."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    for versions in ((0x0304, 0x0303, 0x0302), (0x0303,), (0x0301,), (0x0300,)):
        hello = ClientHello(
            versions=versions,
            suites=strongest_first(),
            random=bytes(32),
            groups=(29, 23),
            key_shares=((29, bytes(31) + b"\x09"),),
            server_name="printer-1.office.test",
        )
        incoming, outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
        incoming.write(hello.record())
        with pytest.raises(ssl.SSLError) as error:
            context.wrap_bio(incoming, outgoing, server_side=True).do_handshake()
        alert = read_flight(outgoing.read()).alert

        assert error.value.reason in (
            "NO_SHARED_CIPHER",
            "NO_SUITABLE_SIGNATURE_ALGORITHM",
            "UNSUPPORTED_PROTOCOL",
            "VERSION_TOO_LOW",
        )
        assert alert is not None and alert[1] in (40, 70)


@cache
def library_tables() -> dict[str, dict[int, str]]:
    suites_module = pytest.importorskip("scapy.layers.tls.crypto.suites")
    constants = pytest.importorskip("tlslite.constants")
    scapy = {c: n for c, n in suites_module._tls_cipher_suites.items() if c <= 0xFFFF}
    return {"scapy": scapy, "tlslite": dict(constants.CipherSuite.ietfNames)}


@pytest.mark.slow
@pytest.mark.parametrize("library", ["scapy", "tlslite"])
def test_no_code_point_of_a_library_is_missing(library: str) -> None:
    signals = {0x00FF, 0x5600}
    for code, name in library_tables()[library].items():
        if code in signals or code in SSL2_SUITES:
            continue

        assert code in suites()
        alike = suites()[code].upper().removesuffix("_DRAFT") == name.upper().removesuffix("_OLD")
        # The registry itself writes these two families unlike the rest.
        assert alike or "PSK_DHE" in suites()[code] or "KRB5_EXPORT" in suites()[code]


@pytest.mark.slow
def test_no_name_of_the_second_opinion_is_missing() -> None:
    table = pytest.importorskip("sslyze.plugins.openssl_cipher_suites.cipher_suites")

    def plain(name: str) -> str:
        draft = name.startswith("OLD_") or name.endswith("_DRAFT")
        name = name.removeprefix("OLD_").removesuffix("_DRAFT").replace("PSK_DHE", "DHE_PSK")
        return name + " (draft)" * draft

    names = {plain(name) for name in (*suites().values(), *SSL2_SUITES.values())}
    theirs = {*table._TLS_OPENSSL_TO_RFC_NAMES_MAPPING.values(), *table._TLS_1_3_CIPHER_SUITES}
    missing = {name for name in theirs if plain(name) not in names}

    assert missing == {"TLS_FALLBACK_SCSV"}


def test_names_and_code_points_are_one_to_one() -> None:
    assert len(set(suites().values())) == len(suites()) == len(strongest_first())
    assert suite_name(0x1234) == "0x1234"
    assert [suite_name(c) for c in suites() if is_tls13(c)][2:7] == [
        "TLS_AES_128_GCM_SHA256",
        "TLS_AES_256_GCM_SHA384",
        "TLS_CHACHA20_POLY1305_SHA256",
        "TLS_AES_128_CCM_SHA256",
        "TLS_AES_128_CCM_8_SHA256",
    ]


@pytest.mark.parametrize("group", SHARED_GROUPS)
def test_both_sides_of_a_key_share_agree(group: int) -> None:
    ours, theirs = key_share(group), key_share(group)

    assert ours.combine(theirs.public) == theirs.combine(ours.public)


@given(st.binary(max_size=80))
def test_an_unusable_share_or_record_is_malformed(data: bytes) -> None:
    body = bytes.fromhex("0303") + bytes(32) + b"\x00" + bytes.fromhex("130100")
    share = struct.pack(">HH", 29, 32) + b"\x09" + bytes(31)
    extensions = bytes.fromhex("002b00020304") + struct.pack(">HH", 51, len(share)) + share
    flight: Flight = read_flight(record(message(2, body + struct.pack(">H", len(extensions)) + extensions)))
    assert flight.hello is not None
    unsealer = Unsealer([b"hello"], flight.hello, key_share(29))

    with pytest.raises(MalformedReply):
        unsealer.open([record(data, 23)])


OFFER = ClientHello(
    versions=(0x0303, 0x0302, 0x0301, 0x0300), suites=(0xC02F, 0x009E, 0x0008), random=bytes(32)
)


@pytest.mark.parametrize("number", [0xFF01, 22, 23])
def test_an_extension_whose_presence_is_a_verdict_holds_what_it_must(number: int) -> None:
    """RFC 5746 section 3.4, RFC 7366 section 2, RFC 7627 section 5.1; tlslite-ng refuses such a hello as well."""
    for content, right in ((b"\0" if number == 0xFF01 else b"", True), (b"\1x", False)):
        extension = struct.pack(">HHHH", 4 + len(content), number, len(content), 0)[:6] + content
        flight = read_flight(record(message(2, HELLO + extension)))
        assert flight.hello is not None
        assert (broken_rule(OFFER, flight.hello) is None) == right


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(hello())
def test_tlslite_reads_the_same_hello(body: bytes) -> None:
    """Another implementation agrees with every value of a ServerHello, but for:

    - A version that does not exist, a session id of more than 32 bytes (RFC 5246 section 7.4.1.3), and an extension that comes
      twice (RFC 8446 section 4.2): refused here alone.
    - The content of extensions that nothing is read from; `broken_rule` holds those whose presence is a verdict.
    """
    from tlslite.errors import TLSInternalError
    from tlslite.messages import ServerHello
    from tlslite.utils.codec import Parser

    why = ""
    try:
        ours = read_flight(record(message(2, body))).hello
    except MalformedReply as exc:
        ours, why = None, str(exc)
    try:
        theirs = ServerHello().parse(Parser(bytearray(len(body).to_bytes(3, "big") + body)))
        chosen = theirs.getExtension(43)
    except (SyntaxError, ValueError, TLSInternalError) as exc:  # as tlslite-ng reports them
        assert ours is None or "Malformed extension" in str(exc)
        return
    if ours is None:
        assert any(reason in why for reason in ("twice", "version", "session id")), why
        return
    version = int.from_bytes(bytes(chosen.version or b"")) if chosen else int.from_bytes(body[:2])
    assert (ours.version, ours.suite, ours.compression) == (
        version, theirs.cipher_suite, theirs.compression_method,
    )  # fmt: skip
    assert list(ours.extensions) == [extension.extType for extension in theirs.extensions or ()]


@settings(max_examples=20, deadline=None)
@given(
    st.lists(st.sampled_from((0x0304, 0x0303, 0x0302, 0x0301)), min_size=1, unique=True).map(
        lambda v: sorted(v)[::-1]
    ),
    st.lists(st.sampled_from(sorted(suites())), min_size=1, max_size=40, unique=True),
    st.none() | st.just("t-1.devices.example"),
)
def test_tlslite_reads_our_hello(versions: list[int], codes: list[int], name: str | None) -> None:
    from tlslite.messages import ClientHello as Theirs
    from tlslite.utils.codec import Parser

    ours = ClientHello(versions=tuple(versions), suites=tuple(codes), random=bytes(32), groups=(29, 23), server_name=name)  # fmt: skip
    theirs = Theirs().parse(Parser(bytearray(ours.message()[1:])))

    assert theirs.cipher_suites == codes
    assert bytes(theirs.server_name or b"") == (name or "").encode()
    supported = theirs.getExtension(43)
    if versions[0] == 0x0304:
        assert [a << 8 | b for a, b in supported.versions] == versions
    else:
        assert theirs.client_version == divmod(versions[0], 256)
