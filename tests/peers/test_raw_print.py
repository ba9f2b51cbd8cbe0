"""The check of raw print ports, against sockets that count what they are sent."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import Any

import pytest

from hardenprobe.model import Review

pytestmark = [pytest.mark.peer, pytest.mark.slow]

LAST = "127.78.0.254"  # whoever comes from here comes last
PATIENCE = 15.0  # seconds for the last connection to be taken


@dataclass
class Sink:
    """Takes connections on print ports and counts what arrives.

    Attributes:
        connections: Ports that were connected to, in order.
        received: Pieces that arrived, with their ports.
    """

    host: str
    connections: list[int] = field(default_factory=list)
    received: list[tuple[int, bytes]] = field(default_factory=list)

    def serve(self, port: int, listening: socket.socket) -> None:
        """Take one connection after the other, until one comes from the address that ends it."""
        while True:
            line, (source, _) = listening.accept()
            with line:
                if source == LAST:
                    return
                self.connections.append(port)
                with contextlib.suppress(ConnectionResetError):
                    while piece := line.recv(65536):
                        self.received.append((port, piece))


@pytest.fixture
def sink(
    address: Callable[[], str], port_offset: int
) -> Callable[..., contextlib.AbstractContextManager[Sink]]:
    """Return a context manager: on leaving it, everything that was sent until then has been counted."""

    @contextlib.contextmanager
    def serving(*ports: int) -> Iterator[Sink]:
        made, places = Sink(address()), {}
        with ExitStack() as ending:
            for port in ports:
                places[port] = ending.enter_context(socket.create_server((made.host, port + port_offset)))
                thread = threading.Thread(target=made.serve, args=(port, places[port]), daemon=True)
                thread.start()
                ending.callback(thread.join, PATIENCE)
            try:
                yield made
            finally:
                for place in places.values():
                    socket.create_connection(place.getsockname(), 5, source_address=(LAST, 0)).close()

    return serving


def test_a_print_port_fails_and_is_sent_nothing(
    sink: Callable[..., contextlib.AbstractContextManager[Sink]], scan: Callable[..., Review], said: Any
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
        (f"tcp/{port}", None, "informational") for port in ports
    }, "each port is counted once, by the check for its service"
    assert said(review, counting.host, "cleartext-telnet") == {(None, None, "pass")}


def test_the_sink_does_count(
    sink: Callable[..., contextlib.AbstractContextManager[Sink]], port_offset: int
) -> None:
    with (
        sink(9100) as counting,
        socket.create_connection((counting.host, 9100 + port_offset), 5) as line,
    ):
        line.sendall(b"\x0c")

    assert counting.received == [(9100, b"\x0c")]
