"""The kernel's filter, asked in the kernel: it is put on one end of a pair of sockets, which needs no right."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from ipaddress import ip_address, ip_network
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.network.capture import packet_socket

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the filter is Linux's")

NETWORKS = ["192.0.2.0/26", "198.51.100.7/32", "0.0.0.0/32", "2001:db8::/33", "2001:db8:ffff::5/128"]
v4 = st.one_of(
    st.integers(0, 2**32 - 1), st.sampled_from([*range(0xC0000200, 0xC0000242), 0xC6336406, 0xC6336407])
)
v6 = st.one_of(
    st.integers(0, 2**128 - 1),
    st.sampled_from(
        [int(ip_address(a)) for a in ("2001:db8::1", "2001:db8:ffff::5", "2001:db8:ffff::6", "::1")]
    ),
)


def passes(packets: list[bytes], networks: list[str], *, deciding: bool = False) -> list[bool]:
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
    with ours, theirs:
        packet_socket.attach(theirs, networks, deciding=deciding)
        theirs.setblocking(False)
        found = []
        for packet in packets:
            ours.send(packet)
            try:
                assert theirs.recv(2000) == packet, "a packet passes as a whole or not at all"
                found.append(True)
            except BlockingIOError:
                found.append(False)
        return found


def packet(source: int, target: int, six: bool, protocol: int) -> bytes:
    if six:
        head = bytes([0x60, 0, 0, 0, 0, 8, protocol, 64])
        return head + source.to_bytes(16) + target.to_bytes(16) + bytes(8)
    head = bytes([0x45, 0, 0, 28, 0, 0, 0, 0, 64, protocol, 0, 0])
    return head + source.to_bytes(4) + target.to_bytes(4) + bytes(8)


@given(st.lists(st.tuples(st.booleans(), st.sampled_from([6, 17]), st.data()), min_size=1, max_size=5))
def test_what_concerns_the_networks_passes_and_nothing_else(
    cases: list[tuple[bool, int, st.DataObject]],
) -> None:
    known = [ip_network(n) for n in NETWORKS]
    packets, expected = [], []
    for six, protocol, data in cases:
        source, target = data.draw(v6 if six else v4), data.draw(v6 if six else v4)
        packets.append(packet(source, target, six, protocol))
        ends = [ip_address(one.to_bytes(16 if six else 4)) for one in (source, target)]
        expected.append(any(end in network for end in ends for network in known))
    assert passes(packets, NETWORKS) == expected


def test_icmp_passes_from_anywhere_and_what_is_no_ip_does_not() -> None:
    far = int(ip_address("203.0.113.9"))
    told = [packet(far, far, False, 1), packet(far, far, True, 58), packet(far, far, False, 58), b"\x10" * 60]
    assert passes(told, NETWORKS) == [True, True, False, False]


@given(st.booleans(), st.integers(0, 255), st.integers(5, 15), st.sampled_from([6, 17]))
def test_of_what_decides_only_segments_that_open_or_reset_pass(
    six: bool, flags: int, words: int, protocol: int
) -> None:
    device = int(ip_address("2001:db8::7" if six else "192.0.2.7"))
    head = packet(device, 1, six, protocol)[: 40 if six else 20]
    if not six:  # with options: RFC 791 section 3.1
        head = bytes([0x40 | words]) + head[1:] + bytes(4 * (words - 5))
    segment = bytes(13) + bytes([flags]) + bytes(6)
    opens = protocol == 6 and bool(flags & 0x06)  # RST and SYN: RFC 9293 section 3.1
    assert passes([head + segment], NETWORKS, deciding=True) == [opens]
    far = packet(2, 3, six, protocol)[: 40 if six else 20]
    assert passes([far + segment], NETWORKS, deciding=True) == [False]


def test_too_many_networks_for_the_kernel_mean_no_filter() -> None:
    many = [f"10.{n // 256}.{n % 256}.0/24" for n in range(2000)]
    assert len(packet_socket.program(many)) > packet_socket.MOST
    assert passes([packet(1, 2, False, 6)], many) == [True]
    fits = many[:400]
    assert len(packet_socket.program(fits)) < packet_socket.MOST
    assert passes([packet(1, 2, False, 6), packet(1, 0x0A01C801, False, 6)], fits) == [False, False]
    assert passes([packet(1, 0x0A010F01, False, 6), packet(0x0A018F01, 2, False, 6)], fits) == [True, True]


BESIDE_A_SCAN = """
import socket, sys
from hardenprobe.network import audit_hook as guard
from hardenprobe.network.capture import packet_socket
from hardenprobe.errors import UsageError

def said(what):
    try:
        what()
    except Exception as exc:
        return type(exc).__name__
    return "done"

with guard.watching():
    try:
        sock = packet_socket.opened([])
    except UsageError:
        sys.exit("may not")
    print(said(lambda: sock.bind(("lo", 0x0800))), said(lambda: sock.sendto(b"x", ("lo", 0x0800))))
    print(said(lambda: sock.sendmsg([b"x"], [], 0, ("lo", 0x0800))), said(lambda: sock.send(b"x")))
    print(said(lambda: socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM)))
    for one in guard.tried():
        print(one)
"""


@pytest.mark.slow
def test_a_scan_makes_no_other_one_and_nobody_sends_through_it() -> None:
    # In a process of its own: the tests' own audit hook would say no before the scan's.
    ended = subprocess.run(
        [sys.executable, "-c", BESIDE_A_SCAN], check=False, capture_output=True, text=True, timeout=50
    )
    if ended.stderr == "may not\n":
        pytest.skip("this process may not capture")
    lines = ended.stdout.splitlines()
    refused = "PastTheDoor"
    assert lines[:3] == [f"{refused} {refused}", f"{refused} OSError", refused], "send: it has no interface"
    assert len([line for line in lines[3:] if "a socket of family 17" in line]) == 1


@pytest.mark.slow
def test_without_the_right_nothing_is_sent_and_no_file_is_made(tmp_path: Path) -> None:
    drop = ["setpriv", "--bounding-set", "-net_raw", "--inh-caps", "-net_raw"] if os.geteuid() == 0 else []
    with socket.create_server(("127.0.0.61", 0)) as device:
        device.settimeout(0.2)
        scan = ["scan", "127.0.0.61", "--ports", str(device.getsockname()[1]), "--no-plugins"]
        keep = ["--capture", str(tmp_path / "c.pcap"), "--store", str(tmp_path / "store.db")]
        ended = subprocess.run(
            [*drop, sys.executable, "-m", "hardenprobe", *scan, *keep],
            check=False, capture_output=True, text=True, timeout=50,
        )  # fmt: skip
        with pytest.raises(TimeoutError):
            device.accept()
    (line,) = [text for text in ended.stderr.splitlines() if not text.startswith("notice: ")]
    assert ended.returncode == 2
    assert line.startswith("hardenprobe: --capture needs the right to read packets (CAP_NET_RAW)")
    assert not list(tmp_path.iterdir()), "neither a file nor a store"
