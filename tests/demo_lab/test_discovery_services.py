"""Discovery and odd services of the lab, asked with plain sockets and bytes from the standards."""

from __future__ import annotations

import socket
import struct
import time
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.demo_lab import INVENTORY, RunningLab, declarations
from hardenprobe.demo_lab.service import Host, Service

TALKS, REFLECTS, OLD = "127.77.0.80", "127.77.0.81", "127.77.0.82"
Read = Callable[..., bytes]


@pytest.fixture
def datagram(lab: RunningLab) -> Callable[[str, int, bytes], tuple[bytes, int] | None]:
    """Send a datagram to a port, as assigned; what comes back, and from which port."""

    def sent(address: str, port: int, data: bytes) -> tuple[bytes, int] | None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            sock.settimeout(0.5)
            sock.sendto(data, (address, port + lab.port_offset))
            try:
                reply, (source, from_port) = sock.recvfrom(4096)
            except TimeoutError:
                return None
            assert source == address
            return reply, from_port - lab.port_offset

    return sent


@pytest.mark.slow
def test_tftp_answers_with_an_error_from_a_new_port(datagram: Callable[..., tuple[bytes, int]]) -> None:
    reply, port = datagram(TALKS, 69, b"\0\1name\0octet\0")
    assert reply[:4] == b"\0\5\0\1"
    assert port != 69


@pytest.mark.slow
def test_time_is_told_and_control_queries_only_where_declared(
    datagram: Callable[..., tuple[bytes, int]],
) -> None:
    client, control = b"\x23" + bytes(47), b"\x16\x02\0\1" + bytes(8)
    for address in (TALKS, OLD):
        reply, port = datagram(address, 123, client)
        seconds = struct.unpack_from(">I", reply, 40)[0] - 2208988800  # RFC 5905 section 6
        assert (reply[0] & 7, port) == (4, 123)
        assert abs(seconds - time.time()) < 60
    assert datagram(TALKS, 123, control)[0][1] == 0x82
    assert datagram(OLD, 123, control) is None


@pytest.mark.slow
def test_what_reflects_sends_the_very_bytes_back(datagram: Callable[..., tuple[bytes, int]]) -> None:
    assert datagram(REFLECTS, 5353, b"hello") == (b"hello", 5353)


@pytest.mark.slow
def test_a_remote_screen_greets_first_and_offers_its_types(exchange: Read) -> None:
    assert exchange(TALKS, 5900, b"RFB 003.008\n", until=b"\x02\x02\x01") == b"RFB 003.008\n\x02\x02\x01"
    assert exchange(OLD, 5900, b"RFB 003.003\n", until=b"\0\0\0\1") == b"RFB 003.003\n\0\0\0\1"


@pytest.mark.slow
def test_llmnr_over_tcp_answers_for_its_own_name_alone(exchange: Read) -> None:
    def question(name: bytes) -> bytes:
        body = b"\0\1\0\0\0\1" + bytes(6) + bytes((len(name),)) + name + b"\0\0\1\0\1"
        return len(body).to_bytes(2) + body

    answer = exchange(TALKS, 5355, question(b"rp-0601"), until=bytes((127, 77, 0, 80)))
    assert answer[4] & 0x80
    assert exchange(TALKS, 5355, question(b"another")) == b""  # it hangs up


DATAGRAMS: list[tuple[Host, Service]] = [
    (Host(device=device, port_offset=0, engine_id=b"\x80\0\0\0\1"), service)
    for device in declarations.simulated(declarations.load(INVENTORY))
    for service in device.services
    if service.transport == "udp" and device.listed.addresses[0] in (TALKS, REFLECTS, OLD)
]


@given(st.sampled_from(DATAGRAMS), st.binary(max_size=100))
def test_any_datagram_is_answered_or_not_and_never_a_fault(
    service: tuple[Host, Service], data: bytes
) -> None:
    host, asked = service
    answer = asked.answerer(host)(data)
    assert answer is None or isinstance(answer, bytes)
