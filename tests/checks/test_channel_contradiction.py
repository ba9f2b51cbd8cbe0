"""channel-contradiction: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.channel_contradiction import CHECK
from hardenprobe.facts import Channel, Listener, SnmpConnections, SnmpObjects
from hardenprobe.model import Observation, State, Word
from hardenprobe.testing import at, seen_device, snmp_answer, tcp_port


def objects(*, origin: str = "default", **more: Any) -> Observation[Any]:
    facts = SnmpObjects(version="2c", label="public", origin=origin, **more)
    return at(161, facts, transport="udp", protocol="snmp")


def tables(address: str, port: int) -> Observation[Any]:
    listener = Listener(transport="tcp", address=address, port=port)
    facts = SnmpConnections(version="2c", label="public", origin="default", listeners=(listener,))
    return at(161, facts, transport="udp", protocol="snmp")


RAW = Channel(type=11, port=9100)


@pytest.mark.parametrize(
    ("observations", "told"),
    [
        pytest.param([objects(channels=(RAW,)), tcp_port(9100)], [(Word.PASS, None)], id="they agree"),
        pytest.param(
            [objects(channels=(RAW,)), tcp_port(9100, State.REFUSING)],
            [(Word.INFORMATIONAL, "TCP 9100")],
            id="a channel without its port",
        ),
        pytest.param(
            [objects(channels=(RAW,)), tcp_port(9100), tcp_port(515)],
            [(Word.INFORMATIONAL, "TCP 515")],
            id="a port without its channel",
        ),
        pytest.param(
            [objects(channels=(Channel(type=11, port=9100, open=False),)), tcp_port(9100, State.REFUSING)],
            [(Word.PASS, None)],
            id="a channel that takes no data",
        ),
        pytest.param(
            [objects(channels=(RAW,)), tcp_port(9100, State.SILENT)],
            [(Word.PASS, None)],
            id="silent is no word",
        ),
        pytest.param(
            [objects(channels=(Channel(type=4, port=None),)), tcp_port(80)],
            [(Word.PASS, None)],
            id="serial port",
        ),
        pytest.param(
            [objects(channels=(RAW,)), tables("0.0.0.0", 23), tcp_port(9100), tcp_port(23, State.SILENT)],
            [(Word.INFORMATIONAL, "TCP 23")],
            id="a listener that is filtered",
        ),
        pytest.param(
            [objects(channels=(RAW,)), tables("", 23), tcp_port(9100), tcp_port(23, State.REFUSING)],
            [(Word.INFORMATIONAL, "TCP 23")],
            id="a listener of both families that is closed",
        ),
        pytest.param(
            [objects(channels=(RAW,)), tables("0.0.0.0", 9100), tcp_port(9100, State.REFUSING)],
            [(Word.INFORMATIONAL, "TCP 9100")],
            id="a listener with a channel is noted once",
        ),
        *(
            pytest.param(
                [objects(channels=(RAW,)), tables(address, 23), tcp_port(9100), tcp_port(23, State.SILENT)],
                [(Word.PASS, None)],
                id=f"a listener of {address} alone",
            )
            for address in ("127.0.0.1", "::1", "::", "192.0.2.99")
        ),
        pytest.param(
            [tables("0.0.0.0", 23), tcp_port(23, State.SILENT)],
            [(Word.INFORMATIONAL, "TCP 23"), (Word.UNKNOWN, None)],
            id="a listener, and no channels",
        ),
        pytest.param([objects(), snmp_answer(), tcp_port(9100)], [(Word.UNKNOWN, None)], id="no table"),
        pytest.param([], [(Word.UNKNOWN, None)], id="nothing was asked"),
    ],
)
def test_branch(observations: list[Observation[Any]], told: list[tuple[Word, str | None]]) -> None:
    assert [(o.word, o.subject) for o in CHECK.judge(seen_device(*observations), NoSettings())] == told
