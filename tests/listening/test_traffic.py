"""hardenprobe.listening.traffic and fragments: the same is heard whatever carries the packets."""

from __future__ import annotations

import gzip
import io
import random
import struct
from collections.abc import Callable
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.captures import Shot, pcap, pcapng
from support.heard import (
    BEGAN,
    CLIENT,
    DEVICE,
    FTP,
    TELNET,
    connection,
    datagram,
    framed,
    packets,
    shots,
    snmp,
)

from hardenprobe.baseline import selection
from hardenprobe.devices.inventory import Inventory, Listed
from hardenprobe.facts import FtpSession, SnmpAnswer, TcpPort, TelnetGreeting
from hardenprobe.listening.run import ListenJob, run
from hardenprobe.listening.streams import Streams
from hardenprobe.listening.traffic import Traffic
from hardenprobe.model import Observation
from hardenprobe.plugins import registry

CHECKS = registry.load(plugins=False)
DEVICE6, CLIENT6 = "2001:db8::7", "2001:db8::40"


def heard(path: Path, given: bytes, *devices: str) -> tuple[list[Observation[Any]], Any]:
    """What is observed of devices, and what the capture is said to be."""
    file = path / "capture"
    file.write_bytes(given)
    listed = [Listed(asset_tag=f"RP-{n}", addresses=(one,)) for n, one in enumerate(devices or (DEVICE,))]
    job = ListenJob(
        captures=(file,),
        place="here",
        inventory=Inventory(devices=tuple(listed), by_address={one.addresses[0]: one for one in listed}),
        expected=selection.choose((), CHECKS),
        registry=CHECKS,
    )
    observed, _ = run(job)
    found = [o for some in observed.rows.observations.values() for o in some]
    return found, observed.coverage.captures[0]


def facts(found: list[Observation[Any]]) -> dict[Any, Any]:
    return {(o.kind, o.endpoint and o.endpoint.port): o.facts for o in found if o.endpoint}


def tagged(data: bytes) -> Shot:
    return Shot(bytes(12) + b"\x88\xa8\0\x07\x81\0\0\x08\x08\0" + data)


CARRIERS: dict[str, Callable[[bytes], Shot]] = {
    "tags": tagged,
    "cooked": lambda data: Shot(bytes(14) + b"\x08\0" + data, link=113),
    "cooked v2": lambda data: Shot(b"\x08\0" + bytes(18) + data, link=276),
    "raw": lambda data: Shot(data, link=101),
    "loopback": lambda data: Shot(b"\2\0\0\0" + data, link=0),
}


@pytest.mark.parametrize("carrier", CARRIERS)
def test_whatever_carries_the_packets_the_same_is_heard(tmp_path: Path, carrier: str) -> None:
    plain, _ = heard(tmp_path, pcap(shots(packets())))
    other, _ = heard(tmp_path, pcapng([CARRIERS[carrier](one) for one in packets()]))

    assert facts(other) == facts(plain) and len(plain) > 15


def test_ipv6_behind_extension_headers_is_heard(tmp_path: Path) -> None:
    made = []
    for one in connection(23, TELNET, CLIENT6, DEVICE6):
        options = bytes((one[6], 0)) + b"\1\4\0\0\0\0"  # hop by hop, padding
        length = struct.pack("!H", len(one) - 40 + 8)
        made.append(one[:4] + length + b"\0" + one[7:40] + options + one[40:])
    found, _ = heard(tmp_path, pcap(shots(made)), DEVICE6)

    assert facts(found)["telnet-greeting", 23].negotiates


def fragments(data: bytes, size: int) -> list[bytes]:
    """An IPv4 packet in fragments."""
    head, body = bytearray(data[:20]), data[20:]
    made = []
    for at in range(0, len(body), size):
        more = at + size < len(body)
        head[2:4] = struct.pack("!H", 20 + len(body[at : at + size]))
        head[6:8] = struct.pack("!H", (more << 13) | at // 8)
        made.append(bytes(head) + body[at : at + size])
    return made


@pytest.mark.parametrize("seed", range(3))
def test_fragments_are_put_together_in_any_order(tmp_path: Path, seed: int) -> None:
    answer = datagram(DEVICE, 161, CLIENT, 50000, snmp(1, b"public", 0xA2))
    made = fragments(answer, 16)
    random.Random(seed).shuffle(made)
    found, capture = heard(tmp_path, pcap(shots(made)))

    assert facts(found)["snmp-answer", 161].label == "public"
    assert not capture.notices


def test_fragments_that_overlap_are_given_up_and_counted(tmp_path: Path) -> None:
    answer = datagram(DEVICE, 161, CLIENT, 50000, snmp(1, b"public", 0xA2))
    first, *rest = fragments(answer, 16)
    longer = bytearray(first + bytes(8))
    longer[2:4] = struct.pack("!H", len(longer))
    found, capture = heard(tmp_path, pcap(shots([bytes(longer), *rest])))

    assert ("snmp-answer", 161) not in facts(found)
    assert capture.notices == ("1 datagrams in fragments could not be put together",)


def test_a_snapped_capture_is_read_as_far_as_it_goes_and_says_so(tmp_path: Path) -> None:
    made = [Shot(one.data[:74], one.at, length=len(one.data)) for one in shots(connection(21, FTP))]
    found, capture = heard(tmp_path, pcap(made))

    assert facts(found)["tcp-port", 21].speaks == "ftp"
    assert ("ftp-session", 21) not in facts(found)
    assert any("were cut when they were captured" in one for one in capture.notices)
    assert any("have gaps" in one for one in capture.notices)


def test_a_clock_that_steps_changes_nothing_but_what_is_said_of_it(tmp_path: Path) -> None:
    plain, _ = heard(tmp_path, pcap(shots(packets())))
    made = [Shot(one.data, BEGAN - 5 * n) for n, one in enumerate(shots(packets()))]
    stepped, capture = heard(tmp_path, pcap(made))

    assert facts(stepped) == facts(plain)
    assert any("clock of the capture went back" in one for one in capture.notices)
    assert capture.first < capture.last


def test_a_connection_that_was_there_before_shows_its_port_and_nothing_else(tmp_path: Path) -> None:
    found, capture = heard(tmp_path, pcap(shots(connection(9100, [(True, b"x"), (False, b"status")])[4:])))

    assert facts(found)["tcp-port", 9100].greeting == ""
    assert any("began before the capture" in one for one in capture.notices)


def test_a_refused_connection_opens_no_port(tmp_path: Path) -> None:
    opened = connection(23, [])
    refusal = bytearray(opened[1])
    refusal[33] = 0x14  # RST and ACK
    found, _ = heard(tmp_path, pcap(shots([opened[0], bytes(refusal)])))

    assert [o.kind for o in found if o.vantage == "here"] == ["address-asked"]


def test_ports_that_no_baseline_names_are_left_out_and_counted(tmp_path: Path) -> None:
    found, _ = heard(tmp_path, pcap(shots(connection(40111, TELNET))))

    assert not [o for o in found if isinstance(o.facts, (TcpPort, TelnetGreeting))]


@pytest.mark.parametrize("v6", [False, True])
def test_traffic_of_others_is_counted_and_passed_over(monkeypatch: pytest.MonkeyPatch, v6: bool) -> None:
    """Once a pair of addresses is known to be of no interest, its packets go no further than a look at them."""

    def fail(*given: object) -> Any:
        raise AssertionError("somebody else's traffic")

    streams = Streams(fail, fail)
    traffic = Traffic([ip_address(DEVICE).packed], streams, fail)
    others = (CLIENT6, DEVICE6) if v6 else (CLIENT, "192.0.2.99")
    shot = [framed(one) for one in connection(23, [(True, bytes(99)), (False, bytes(99))], *others)]
    looked: list[bytes] = []
    whole = traffic._packet
    monkeypatch.setattr(traffic, "_packet", lambda *given: (looked.append(given[3]), whole(*given)))
    traffic.read((BEGAN, len(one), 1, one, 0, len(one)) for one in shot[3:5] * 50)

    assert (traffic.packets, len(traffic.others), traffic.met, len(looked)) == (100, 2, {}, 2)


@given(st.lists(st.binary(max_size=90), max_size=12), st.sampled_from([0, 1, 101, 113, 276, 99]))
def test_hostile_packets_are_survived(data: list[bytes], link: int) -> None:
    def take(*given: object) -> None: ...

    streams = Streams(lambda client, server: None, take)
    traffic = Traffic([bytes(4), bytes(16)], streams, take)
    traffic.read((0.0, len(one), link, one, 0, len(one)) for one in data)
    traffic.finish()

    assert traffic.packets == len(data)


def test_the_worst_login_of_a_port_counts(tmp_path: Path) -> None:
    refused = [FTP[0], FTP[1], (False, b"530 No\r\n")]
    both = connection(21, refused) + connection(21, FTP, source=40001) + connection(21, refused, source=40002)
    found, _ = heard(tmp_path, pcap(shots(both)))

    assert [o.facts.user_code for o in found if isinstance(o.facts, FtpSession)] == [331]


def test_anonymous_sign_in_says_nothing_of_names(tmp_path: Path) -> None:
    said = [FTP[0], (True, b"USER anonymous\r\n"), (False, b"331 Any password\r\n")]
    found, _ = heard(tmp_path, pcap(shots(connection(21, said))))

    assert ("ftp-session", 21) not in facts(found)


def test_a_request_that_nobody_answers_proves_no_agent(tmp_path: Path) -> None:
    asked = datagram(CLIENT, 50000, DEVICE, 161, snmp(1, b"public", 0xA0))
    alive = datagram(DEVICE, 50001, CLIENT, 9, b"x")
    found, _ = heard(tmp_path, pcap(shots([asked, alive])))

    assert not [o for o in found if isinstance(o.facts, SnmpAnswer)]


def test_a_community_that_is_no_default_is_called_other(tmp_path: Path) -> None:
    made = [
        datagram(DEVICE, 161, CLIENT, 50000, snmp(1, one, 0xA2)) for one in (b"secret", b"public", b"more")
    ]
    found, _ = heard(tmp_path, pcap(shots(made)))
    told = [(o.facts.label, o.facts.origin) for o in found if isinstance(o.facts, SnmpAnswer)]

    assert sorted(told) == [("other", "heard"), ("public", "default")]
    assert b"secret".hex() not in str([o.transcript for o in found])


def test_a_gzip_capture_is_seen_through(tmp_path: Path) -> None:
    plain, _ = heard(tmp_path, pcap(shots(packets())))
    packed = io.BytesIO()
    with gzip.GzipFile(fileobj=packed, mode="wb") as out:
        out.write(pcap(shots(packets())))
    other, _ = heard(tmp_path, packed.getvalue())

    assert facts(other) == facts(plain)
