"""The check of raw print ports, against sockets that count what they are sent."""

from __future__ import annotations

import socket
from collections.abc import Callable
from typing import Any

import pytest

from hardenprobe.records import Review

pytestmark = [pytest.mark.peer, pytest.mark.slow]


def test_a_print_port_fails_and_is_sent_nothing(
    sink: Callable[..., Any], scan: Callable[..., Review], said: Any
) -> None:
    ports = (515, 9100, 9103)
    with sink(*ports) as counting:
        review = scan(counting.host)

    assert sorted(counting.connections) == sorted(ports)
    assert counting.received == []
    assert said(review, counting.host, "cleartext-print-raw") == {
        ("tcp/9100", None, "fail"),
        ("tcp/9103", None, "fail"),
    }
    assert said(review, counting.host, "unexpected-service") == {
        (f"tcp/{port}", None, "fail") for port in ports
    }
    assert said(review, counting.host, "cleartext-telnet") == {(None, None, "pass")}


def test_the_sink_does_count(sink: Callable[..., Any], port_offset: int) -> None:
    with (
        sink(9100) as counting,
        socket.create_connection((counting.host, 9100 + port_offset), 5) as line,
    ):
        line.sendall(b"\x0c")

    assert counting.received == [(9100, b"\x0c")]
