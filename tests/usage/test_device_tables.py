"""Use as devices report it themselves, from what a scan read of their tables."""

from __future__ import annotations

from hardenprobe.facts import Connection, Listener, SnmpConnections
from hardenprobe.model import Observation
from hardenprobe.reports.usage_text import summary, user_line
from hardenprobe.testing import at, tcp_port
from hardenprobe.usage import device_tables
from hardenprobe.usage.summary import Usage

DEVICE, SCANNER = "192.0.2.7", "192.0.2.10"


def table(*connections: tuple[int, str, int], complete: bool = True) -> Observation[SnmpConnections]:
    """A table of a device that listens on 515 and 9100, with connections: its port, the other end's address and port."""
    facts = SnmpConnections(
        version="2c", label="public", origin="default", complete=complete,
        listeners=tuple(Listener(transport="tcp", address="0.0.0.0", port=port) for port in (515, 9100)),
        connections=tuple(
            Connection(transport="tcp", address=DEVICE, port=own, peer=peer, peer_port=port)
            for own, peer, port in connections
        ),
    )  # fmt: skip
    return at(161, facts, transport="udp", address=DEVICE)


def test_who_is_connected_to_a_listener_uses_it_and_whom_the_device_calls_does_not() -> None:
    seen = [
        table((515, "192.0.2.40", 40001), (515, "192.0.2.40", 40002), (51000, "192.0.2.50", 25)),
        tcp_port(515),
    ]
    found = device_tables.collect("R-1", seen)
    assert found is not None
    source, (use,) = found

    assert (use.client, use.address, use.port, use.conversations) == ("192.0.2.40", DEVICE, 515, 2)
    assert (source.kind, source.devices, source.first) == ("table", (DEVICE,), source.last)
    assert source.expires is not None


def test_our_own_connections_and_the_devices_to_itself_are_no_use() -> None:
    found = device_tables.collect(
        "R-1", [table((515, SCANNER, 40001), (9100, DEVICE, 40002), complete=False)], {SCANNER}
    )
    assert found is not None

    assert found[1] == ()
    assert found[0].notices == ("1 of 1 tables were not read to their end",)
    assert device_tables.collect("R-1", [tcp_port(515)]) is None


def test_a_table_names_users_and_covers_no_time() -> None:
    """It shows a moment, so that it says nothing of services that nobody used at that moment."""
    found = device_tables.collect("R-1", [table((515, "192.0.2.40", 40001))])
    assert found is not None
    index = Usage([found[0]], found[1])
    used = index.of([DEVICE], "tcp", 515)

    assert summary(used).startswith("1 client in the device's own table, last 192.0.2.40 on ")
    assert "bytes" not in user_line(used.users[0])
    assert index.of([DEVICE], "tcp", 9100).state == "not-covered"
