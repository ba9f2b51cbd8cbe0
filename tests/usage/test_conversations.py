"""Conversations counted from headers; scapy builds the packets, and tshark is the other opinion."""

from __future__ import annotations

import random
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.captures import Shot, counted, pcap, pcapng, totals, tshark

from hardenprobe.usage import files, packet_file
from hardenprobe.usage.conversations import Conversation, Conversations

CLIENT, DEVICE = "192.0.2.40", "192.0.2.7"
CLIENT6, DEVICE6 = "2001:db8::40", "2001:db8::7"
BASE = 1_800_000_000.0


@pytest.fixture(scope="module")
def layers() -> Any:
    from hardenprobe.probes import packets

    packets._layers()
    inet, inet6 = pytest.importorskip("scapy.layers.inet"), pytest.importorskip("scapy.layers.inet6")
    return {**vars(pytest.importorskip("scapy.layers.l2")), **vars(inet6), **vars(inet)}


def read(shots: list[Shot], **given: Any) -> tuple[list[Conversation], Conversations]:
    found: list[Conversation] = []
    table = Conversations(found.append, **given)
    table.read((s.at, s.length or len(s.data), s.link, s.data, 0, len(s.data)) for s in shots)
    table.finish()
    return found, table


def job(layers: Any, v6: bool = False, port: int = 9100, source: int = 40001) -> list[Any]:
    """A connection over which 300 octets go to a device, as IP packets; the device only acknowledges them."""
    ip = layers["IPv6"] if v6 else layers["IP"]
    (a, b), tcp = (CLIENT6, DEVICE6) if v6 else (CLIENT, DEVICE), layers["TCP"]

    def sent(flags: str, seq: int, data: bytes = b"") -> Any:
        return ip(src=a, dst=b) / tcp(sport=source, dport=port, flags=flags, seq=seq) / data

    def back(flags: str, seq: int) -> Any:
        return ip(src=b, dst=a) / tcp(sport=port, dport=source, flags=flags, seq=seq)

    return [
        sent("S", 1000), back("SA", 5000), sent("A", 1001), sent("PA", 1001, b"x" * 300), back("A", 5001),
        sent("FA", 1301), back("FA", 5001), sent("A", 1302),
    ]  # fmt: skip


def ether(layers: Any, packet: Any, *tags: int) -> bytes:
    made = layers["Ether"](src="02:00:00:00:00:01", dst="02:00:00:00:00:02")
    for depth, tag in enumerate(tags):
        made = made / (layers["Dot1AD"] if depth + 1 < len(tags) else layers["Dot1Q"])(vlan=tag)
    return bytes(made / packet)


def cooked(packet: bytes, two: bool = False) -> bytes:
    kind = b"\x08\x00" if packet[0] >> 4 == 4 else b"\x86\xdd"
    if two:
        return kind + bytes(2) + b"\0\0\0\x03" + b"\0\x01\0\x06" + bytes(8) + packet
    return b"\0\0\0\x01\0\x06" + bytes(8) + kind + packet


LINKS = {
    "Ethernet": lambda layers, p: Shot(ether(layers, p)),
    "a tag": lambda layers, p: Shot(ether(layers, p, 7)),
    "two tags": lambda layers, p: Shot(ether(layers, p, 7, 8)),
    "Linux cooked": lambda _, p: Shot(cooked(bytes(p)), link=113),
    "Linux cooked 2": lambda _, p: Shot(cooked(bytes(p), two=True), link=276),
    "raw IP": lambda _, p: Shot(bytes(p), link=101),
    "loopback of BSD": lambda _, p: Shot((b"\x02\0\0\0" if p.version == 4 else b"\x1e\0\0\0") + bytes(p), link=0),
    "loopback of OpenBSD": lambda _, p: Shot((b"\0\0\0\x02" if p.version == 4 else b"\0\0\0\x18") + bytes(p), link=108),
}  # fmt: skip


@pytest.mark.parametrize("v6", [False, True], ids=["IPv4", "IPv6"])
@pytest.mark.parametrize("link", LINKS)
def test_a_job_is_one_conversation_whatever_carries_it(layers: Any, link: str, v6: bool) -> None:
    shots = [LINKS[link](layers, p)._replace(at=BASE + n) for n, p in enumerate(job(layers, v6))]

    (found,), table = read(shots)

    assert (ip_address(found.client), found.client_port) == (ip_address(CLIENT6 if v6 else CLIENT), 40001)
    assert (ip_address(found.server), found.server_port) == (ip_address(DEVICE6 if v6 else DEVICE), 9100)
    assert (found.packets_sent, found.packets_received, found.used) == (5, 3, True)
    assert found.bytes_sent + found.bytes_received == sum(len(shot.data) for shot in shots)
    assert (found.first, found.last) == (table.earliest, table.latest) == (BASE, BASE + 7)


def test_a_snapped_packet_counts_as_long_as_it_was(layers: Any) -> None:
    shots = [
        Shot(d[:54], BASE + n, length=len(d)) for n, d in enumerate(ether(layers, p) for p in job(layers))
    ]

    (found,), _ = read(shots)

    assert found.bytes_sent + found.bytes_received == sum(shot.length or 0 for shot in shots)
    assert found.used


@pytest.mark.parametrize("what", ["refused", "opened and closed", "not answered"])
def test_a_connection_over_which_nothing_was_said_is_no_use(layers: Any, what: str) -> None:
    whole = job(layers)
    reset = layers["IP"](src=DEVICE, dst=CLIENT) / layers["TCP"](sport=9100, dport=40001, flags="RA", seq=0)
    close = layers["IP"](src=CLIENT, dst=DEVICE) / layers["TCP"](
        sport=40001, dport=9100, flags="FA", seq=1001
    )
    last = layers["IP"](src=CLIENT, dst=DEVICE) / layers["TCP"](sport=40001, dport=9100, flags="A", seq=1002)
    said = {
        "refused": [whole[0], reset],
        "opened and closed": [*whole[:3], close, whole[6], last],
        "not answered": whole[:1],
    }[what]

    (found,), _ = read([Shot(ether(layers, p), BASE + n) for n, p in enumerate(said)])

    assert not found.used
    assert ip_address(found.server) == ip_address(DEVICE)


def test_a_tftp_server_answers_from_another_port_and_silence_is_no_use(layers: Any) -> None:
    """RFC 1350 section 4."""
    ip, udp = layers["IP"], layers["UDP"]
    asked = ip(src=CLIENT, dst=DEVICE) / udp(sport=4000, dport=69) / b"\0\1file\0octet\0"
    given = ip(src=DEVICE, dst=CLIENT) / udp(sport=50123, dport=4000) / b"\0\3\0\1"
    servers = {ip_address(DEVICE).packed}

    (used,), _ = read([Shot(ether(layers, p), BASE) for p in (asked, given)], servers=servers)
    (silent,), _ = read([Shot(ether(layers, asked), BASE)], servers=servers)

    assert (used.server_port, used.used, silent.used) == (69, True, False)


def test_ports_that_are_used_again_make_another_conversation_and_a_repeated_syn_does_not(layers: Any) -> None:
    first, again = job(layers), job(layers)
    for packet in again:
        packet["TCP"].seq += 900_000
    shots = [Shot(ether(layers, p), BASE + n) for n, p in enumerate([first[0], *first, *again])]

    found, _ = read(shots)

    assert [one.packets_sent for one in found] == [6, 5]


def test_a_conversation_that_was_under_way_is_with_the_service(layers: Any) -> None:
    for packets in (job(layers)[3:], job(layers)[4:]):
        (found,), _ = read([Shot(ether(layers, p), BASE + n) for n, p in enumerate(packets)])
        assert (found.server_port, ip_address(found.client)) == (9100, ip_address(CLIENT))


def test_only_services_of_the_given_addresses_are_kept(layers: Any) -> None:
    other = layers["IP"](src=CLIENT, dst="198.51.100.1") / layers["UDP"](sport=5, dport=161) / b"x"
    out = layers["IP"](src=DEVICE, dst="198.51.100.1") / layers["TCP"](sport=9, dport=443, flags="S", seq=3)
    packets = [*job(layers), other, out, other, out]

    found, table = read([Shot(ether(layers, p)) for p in packets], servers={ip_address(DEVICE).packed})

    assert [one.server_port for one in found] == [9100]
    assert (table.packets, table.other) == (12, 4)


@pytest.mark.parametrize("v6", [False, True], ids=["IPv4", "IPv6"])
def test_fragments_count_where_their_first_one_belongs_in_whatever_order(layers: Any, v6: bool) -> None:
    shots = fragments(layers, v6)
    for seed in range(4):
        random.Random(seed).shuffle(shots)
        (found,), table = read(shots)
        assert (found.server_port, found.packets_sent) == (69, len(shots))
        assert found.bytes_sent == sum(len(shot.data) for shot in shots)
        assert table.orphans == 0
    behind = [shot for shot in shots if shot is not min(shots, key=_offset)]

    assert read(behind)[1].orphans == len(behind) - (0 if len(behind) < len(shots) else 1)


def _offset(shot: Shot) -> int:
    v4 = shot.data[12:14] == b"\x08\x00"
    return int.from_bytes(shot.data[20:22] if v4 else shot.data[56:58], "big") & (0x1FFF if v4 else 0xFFF8)


def fragments(layers: Any, v6: bool) -> list[Shot]:
    data = bytes(range(256)) * 12
    if v6:
        whole = (
            layers["IPv6"](src=CLIENT6, dst=DEVICE6)
            / layers["IPv6ExtHdrFragment"](id=77)
            / layers["UDP"](sport=4000, dport=69)
            / data
        )
        parts = layers["fragment6"](whole, 1280)
    else:
        whole = layers["IP"](src=CLIENT, dst=DEVICE, id=77) / layers["UDP"](sport=4000, dport=69) / data
        parts = layers["fragment"](whole, 1000)
    assert len(parts) > 2
    return [Shot(ether(layers, p), BASE + n) for n, p in enumerate(parts)]


def test_memory_is_bounded_and_what_was_cut_is_said(layers: Any) -> None:
    template = ether(
        layers, layers["IP"](src=CLIENT, dst=DEVICE) / layers["UDP"](sport=1, dport=161) / (b"x" * 20)
    )
    shots = [Shot(template[:34] + n.to_bytes(2, "big") + template[36:], BASE + n) for n in range(1, 5000)]

    found, table = read(shots, most=100)

    assert len(found) == len(shots)  # none is lost, whatever is ended early
    assert table.cut > 4000
    flood = [
        s._replace(data=s.data[:18] + n.to_bytes(2, "big") + b"\0\x40" + s.data[22:])
        for n, s in enumerate(shots * 2)
    ]
    assert read(flood)[1].orphans == len(flood)


def test_a_clock_that_steps_back_is_counted_and_the_period_holds_both(layers: Any) -> None:
    times = [BASE, BASE + 5, BASE - 3600, BASE - 3599]
    _, table = read([Shot(ether(layers, p), at) for p, at in zip(job(layers), times, strict=False)])

    assert (table.steps, table.earliest, table.latest) == (1, BASE - 3600, BASE + 5)


@given(
    st.lists(st.tuples(st.binary(max_size=90), st.sampled_from([0, 1, 101, 108, 113, 276, 9999])), max_size=8)
)
def test_no_bytes_raise_anything(packets: list[tuple[bytes, int]]) -> None:
    _, table = read([Shot(data, BASE, link) for data, link in packets])
    assert table.packets == len(packets)


@pytest.mark.slow
@pytest.mark.peer
def test_tshark_counts_the_same_conversations_and_bytes(layers: Any, tmp_path: Path) -> None:
    packets = [*job(layers), *job(layers, True, 631), *job(layers, port=515, source=721)]
    agent = layers["IP"](src=CLIENT, dst=DEVICE) / layers["UDP"](sport=4000, dport=161) / b"ask"
    extended = (
        layers["IPv6"](src=CLIENT6, dst=DEVICE6)
        / layers["IPv6ExtHdrHopByHop"]()
        / layers["IPv6ExtHdrDestOpt"]()
    )
    packets += [agent, agent, extended / layers["UDP"](sport=4001, dport=161) / b"ask"]
    again = job(layers)
    for packet in again:
        packet["TCP"].seq += 900_000
    shots = [make(layers, p) for p in packets for make in LINKS.values()] + [
        Shot(ether(layers, p)) for p in again
    ]
    shots = [shot._replace(at=BASE + n / 100) for n, shot in enumerate(shots)]
    (file := tmp_path / "all.pcapng").write_bytes(pcapng(shots))
    found: list[Conversation] = []
    table = Conversations(found.append)
    with files.opened(file) as opened:
        table.read(packet_file.PacketFile(opened).packets())
    table.finish()

    for transport in ("tcp", "udp"):
        assert totals(found, transport) == counted(file, transport)
    assert len(found) > 5


@pytest.mark.slow
@pytest.mark.peer
def test_tshark_finds_the_bytes_of_all_fragments_between_the_same_addresses(
    layers: Any, tmp_path: Path
) -> None:
    (file := tmp_path / "fragments.pcap").write_bytes(pcap(fragments(layers, False)))
    (found,), _ = read(fragments(layers, False))

    assert next(iter(counted(file, "udp")))[0] == frozenset(((CLIENT, 4000), (DEVICE, 69)))
    (line,) = (line for line in tshark("-n", "-q", "-z", "conv,ip", "-r", file).splitlines() if "<->" in line)
    assert f" {found.packets_sent} {found.bytes_sent} bytes" in " ".join(line.split())
