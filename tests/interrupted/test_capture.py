"""A scan that captures and is killed goes on in the same file, or says which file it needs."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.errors import UsageError
from hardenprobe.network.capture import packet_socket
from hardenprobe.probes import packets
from hardenprobe.store import opening
from hardenprobe.store.journal import Journal

pytestmark = pytest.mark.slow


def test_scan_killed_while_it_captures_goes_on_in_the_same_file(
    fleet: Any, new_run: Any, process: Any, asked: list[str], tmp_path: Path
) -> None:
    try:
        packet_socket.opened([]).close()
    except UsageError as exc:
        pytest.skip(str(exc))
    fleet.last_takes = 0.1  # the others are done and kept before the last one
    run, file = new_run(0), tmp_path / "scan.pcap"
    scan = run.start(process, *asked, "--source", run.source, "--capture", str(file))
    while not _kept(run.store):
        assert scan.is_alive()
        time.sleep(0.02)
    os.kill(scan.pid, signal.SIGKILL)
    scan.join(10)
    connections = fleet.of(run.source)

    file.rename(tmp_path / "moved.pcap")
    refused = run.start(process, "--resume", "latest")
    refused.join(60)
    assert refused.exitcode == 2 and fleet.of(run.source) == connections, "nothing was sent"
    assert f"--capture {file} is gone, and the scan goes on in it" in run.said.read_text(encoding="utf-8")
    assert not file.exists()

    (tmp_path / "moved.pcap").rename(file)
    going_on = run.start(process, "--resume", "latest")
    going_on.join(60)
    assert going_on.exitcode == 1, run.said.read_text(encoding="utf-8")
    review = run.review
    head, offset, ports = review["review"], review["review"]["port_offset"], review["coverage"]["tcp_ports"]
    assert f"{head['capture']['packets']} packets are in {file}" in run.said.read_text(encoding="utf-8")
    packets._layers()
    utils = pytest.importorskip("scapy.utils")
    with utils.PcapReader(str(file)) as reader:
        read = list(reader)
    assert len(read) == head["capture"]["packets"]
    met = set()
    for seen in review["observations"]:
        where = seen["endpoint"]
        for number in (n for first, last in seen["packets"] for n in range(first, last + 1)):
            packet = read[number - 1]
            assert {packet["IP"].src, packet["IP"].dst} == {where["address"], run.source}
            assert where["port"] + offset in (packet["TCP"].sport, packet["TCP"].dport)
            met.add(where["address"])
    assert met == set(fleet.addresses), "those of before the kill among them"
    accepted = [p for p in read if p["TCP"].flags == "SA" and p["TCP"].sport - offset in ports]
    assert 0 < connections < fleet.of(run.source) <= len(accepted) + 20, "a kill costs what was not read yet"


def _kept(file: Path) -> int:
    """How many devices a running scan has kept."""
    if not file.exists():
        return 0
    with opening.opened(str(file)) as kept:
        return sum(one.devices for one in Journal(kept).unfinished())
