"""Packets taken apart and starred; scapy's own builder of packets is the other opinion."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.network.capture import frames

US, DEVICE = "192.0.2.1", "192.0.2.7"
US6, DEVICE6 = "2001:db8::1", "2001:db8::7"


@pytest.fixture(scope="module")
def layers() -> Any:
    from hardenprobe.probes import packets

    packets._layers()
    inet = pytest.importorskip("scapy.layers.inet")
    inet6 = pytest.importorskip("scapy.layers.inet6")
    return {**vars(inet6), **vars(inet)}


def _bare(layers: Any) -> dict[str, Any]:
    """Headers of many shapes, without a payload."""
    ip, ip6, tcp, udp = layers["IP"], layers["IPv6"], layers["TCP"], layers["UDP"]
    v4, v6 = ip(src=US, dst=DEVICE, ttl=64), ip6(src=US6, dst=DEVICE6)
    return {
        "tcp": v4 / tcp(sport=40000, dport=80, seq=7, flags="PA"),
        "tcp with options": v4 / tcp(sport=40000, dport=80, options=[("Timestamp", (1, 2)), ("NOP", None)]),
        "udp": v4 / udp(sport=40000, dport=161),
        "udp without a checksum": v4 / udp(sport=40000, dport=161, chksum=0),
        "an option of IP": ip(src=US, dst=DEVICE, options=[layers["IPOption_Router_Alert"]()])
        / udp(sport=4, dport=161),
        "tcp over IPv6": v6 / tcp(sport=40000, dport=80, flags="PA"),
        "udp over IPv6": v6 / udp(sport=40000, dport=161),
        "behind extension headers": v6
        / layers["IPv6ExtHdrHopByHop"]()
        / layers["IPv6ExtHdrDestOpt"]()
        / udp(sport=40000, dport=161),
    }


SHAPES = (
    "tcp", "tcp with options", "udp", "udp without a checksum", "an option of IP", "tcp over IPv6",
    "udp over IPv6", "behind extension headers",
)  # fmt: skip


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("payload", [b"", b"0", b"canary-community", b"x" * 1401])
def test_a_starred_packet_is_what_scapy_makes_of_stars(layers: Any, shape: str, payload: bytes) -> None:
    header = _bare(layers)[shape]
    packet, stars = bytes(header / payload), bytes(header / (b"*" * len(payload)))
    frame = frames.read(packet)
    assert frame is not None
    assert (
        frames.starred(packet + b"padding of the link", frames.read(packet + b"padding of the link")) == stars
    )
    assert packet[frame.payload : frame.end] == payload
    assert (frame.source_port, frame.target_port) == (header.sport, header.dport)
    own = packet[frame.checksum_at :][:2]
    assert frames.replaced(stars, frame, payload, own) == frames.replaced(stars, frame, payload) == packet


@pytest.mark.parametrize("cut", [8, 20, 500])
def test_what_an_icmp_error_quotes_is_starred_with_the_checksum_that_would_confirm_a_guess(
    layers: Any, cut: int
) -> None:
    ip, udp, icmp = layers["IP"], layers["UDP"], layers["ICMP"]
    asked = ip(src=US, dst=DEVICE) / udp(sport=40000, dport=161) / b"0&\x02\x01\x00\x04\x0dcanary-secret"
    packet = bytes(ip(src=DEVICE, dst=US) / icmp(type=3, code=3) / bytes(asked)[: 20 + cut])
    frame = frames.read(packet)
    assert frame is not None and frame.quoted is not None
    assert (frame.quoted.source_port, frame.quoted.target_port) == (40000, 161)
    made = frames.starred(packet, frame)
    told = ip(made)
    assert b"canary" not in made and made[frame.quoted.start + 6 : frame.quoted.start + 8] == b"\0\0"
    assert made[frame.payload :] == b"*" * (len(packet) - frame.payload)
    del told[icmp].chksum
    assert bytes(ip(bytes(told))) == made, "its own checksum is right"


def test_of_an_icmp6_error_as_well(layers: Any) -> None:
    ip6, udp = layers["IPv6"], layers["UDP"]
    asked = ip6(src=US6, dst=DEVICE6) / udp(sport=40000, dport=161) / b"canary"
    error = ip6(src=DEVICE6, dst=US6) / layers["ICMPv6DestUnreach"](code=4) / asked
    packet = bytes(error)
    frame = frames.read(packet)
    assert frame is not None and frame.quoted is not None and frame.quoted.target_port == 161
    made = frames.starred(packet, frame)
    told = ip6(made)
    del told[layers["ICMPv6DestUnreach"]].cksum
    assert b"canary" not in made and bytes(told) == made


@pytest.mark.parametrize("six", [False, True])
def test_fragments_are_starred_and_carry_no_checksum(layers: Any, six: bool) -> None:
    header = _bare(layers)["udp over IPv6" if six else "udp"]
    payload = bytes(range(1, 250)) * 8
    if six:
        whole = (
            layers["IPv6"](src=US6, dst=DEVICE6)
            / layers["IPv6ExtHdrFragment"](id=9)
            / header["UDP"]
            / payload
        )
        pieces = layers["fragment6"](whole, 800)
    else:
        pieces = layers["fragment"](header / payload, 800)
    read = [(bytes(p), frames.read(bytes(p))) for p in pieces]
    assert len(read) >= 3
    assert len({f.ident for _, f in read}) == 1 and [f.offset > 0 for _, f in read][:2] == [False, True]
    assert [f.more for _, f in read] == [True] * (len(read) - 1) + [False]
    for packet, frame in read:
        made = frames.starred(packet, frame)
        assert set(made[frame.payload :]) == {ord("*")} and len(made) == len(packet)
        assert frame.offset or made[frame.checksum_at :][:2] == b"\0\0"


def test_the_checksum_is_that_of_the_published_example() -> None:
    # RFC 1071 section 3: the sum of these octets is ddf2; the checksum is its complement.
    assert frames.internet_checksum(bytes.fromhex("0001f203f4f5f6f7")) == bytes.fromhex("220d")


@given(st.binary(max_size=200))
def test_any_bytes_are_survived(data: bytes) -> None:
    _check(data)


@given(
    st.sampled_from([0x45, 0x46, 0x4F, 0x60]),
    st.sampled_from([0, 1, 6, 17, 43, 44, 51, 58, 60]),
    st.binary(min_size=10, max_size=120),
    st.data(),
)
def test_any_packet_is_survived(first: int, protocol: int, rest: bytes, data: st.DataObject) -> None:
    packet = bytearray([first, *rest])
    packet[9 if first < 0x60 else 6] = protocol
    if first < 0x60 and data.draw(st.booleans()):
        packet[2:4] = len(packet).to_bytes(2)
        packet[6:8] = b"\0\0"
    _check(bytes(packet))


def _check(packet: bytes) -> None:
    frame = frames.read(packet)
    if frame is not None:
        assert 0 < frame.start <= frame.payload <= frame.end <= len(packet)
        made = frames.starred(packet, frame)
        assert len(made) == frame.end and made[frame.payload :] == b"*" * (frame.end - frame.payload)
        again = frames.read(made)
        assert again is not None and (again.start, again.payload) == (frame.start, frame.payload)


# ---- what may stay


@given(st.binary(max_size=60), st.data())
def test_what_stays_was_said_and_was_on_the_wire(payload: bytes, data: st.DataObject) -> None:
    at = data.draw(st.integers(0, 20))
    pieces = data.draw(st.lists(st.tuples(st.integers(0, 60), st.binary(max_size=30)), max_size=4))
    made = frames.kept(payload, at, pieces)
    assert len(made) == len(payload)
    for i, byte in enumerate(made):
        said = {piece[at + i - place] for place, piece in pieces if 0 <= at + i - place < len(piece)}
        assert byte == ord("*") or (byte == payload[i] and byte in said)


@given(st.binary(min_size=1, max_size=80), st.integers(0, 79), st.integers(1, 20), st.integers(0, 79))
def test_what_the_transcript_starred_never_stays(payload: bytes, first: int, length: int, cut: int) -> None:
    masked = bytearray(payload)
    masked[first : first + length] = b"*" * len(masked[first : first + length])
    whole = frames.kept(payload, 0, [(0, bytes(masked))])
    assert whole == bytes(masked)
    pieces = frames.kept(payload[:cut], 0, [(0, bytes(masked))]) + frames.kept(
        payload[cut:], cut, [(0, bytes(masked))]
    )
    assert pieces == whole, "however the stream was cut into packets"


def test_a_transcript_of_something_else_keeps_nothing() -> None:
    assert frames.kept(b"community public", 0, [(0, b"community secret")]) == b"*" * 16
