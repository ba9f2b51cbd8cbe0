"""demo_lab.network and demo_lab.truth_network: what is declared is what stands, as plain sockets meet it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from hardenprobe.demo_lab.network_lab import NETWORK
from hardenprobe.demo_lab.truth_network import fate

pytestmark = pytest.mark.slow

PORTS = (23, 80, 443, 9100)


def test_every_address_meets_every_source_at_every_service_as_declared(play: Callable[..., Any]) -> None:
    met = play("touch", {"network": "NETWORK", "ports": PORTS, "wait": 1.0})
    declared = {
        (source, address, port): fate(station, address, source, "tcp", port)
        for source in (s for own in NETWORK.scanner.values() for s in own)
        for station in NETWORK.stations
        for address in station.addresses
        if (":" in address) == (":" in source)
        for port in PORTS
    }

    assert met == declared
    assert set(declared.values()) == {"open", "refusing", "silent"}
