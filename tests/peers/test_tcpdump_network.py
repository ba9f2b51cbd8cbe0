"""`scan --capture` of a whole network beside tcpdump, interrupted and gone on with: the sweep, the visits, and one file."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.network.capture import frames, pcap_file
from hardenprobe.probes import packets

pytestmark = [pytest.mark.peer, pytest.mark.slow]

NETWORK = "198.18.4.0/25"  # RFC 2544: for tests
LIVE = [f"198.18.4.{n}" for n in range(5, 125, 15)]
OFFICE = Path(__file__).parents[2] / "baselines" / "office-device.yaml"


@dataclass
class Done:
    half: dict[str, Any]
    whole: dict[str, Any]
    folder: Path


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Done:
    alone = shutil.which("unshare")
    if alone is None or os.getuid() or subprocess.run((alone, "--net", "true"), check=False).returncode:
        pytest.skip("needs the privilege to make network namespaces")
    if shutil.which("tcpdump") is None:
        pytest.skip("tcpdump is missing; install the Debian package tcpdump")
    folder = tmp_path_factory.mktemp("network")
    hasty = re.sub(r"(?m)^(  (?:connect|greeting|reply|second_try)): [\d.]+$", r"\1: 0.4", OFFICE.read_text())
    (folder / "hasty.yaml").write_text(hasty)
    script = Path(__file__).with_name("captured_network.py")
    ran = subprocess.run(
        (alone, "--net", sys.executable, script, folder, NETWORK, *LIVE),
        capture_output=True, text=True, timeout=100, check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    half, whole = (json.loads((folder / f"{name}.json").read_text()) for name in ("half", "whole"))
    return Done(half, whole, folder)


def shown(file: Path, *how: str) -> list[str]:
    """What tcpdump says of each packet, without what differs between a link and "Linux cooked capture"."""
    run = subprocess.run(
        ["tcpdump", "-n", "-q", "-t", *how, "-r", file], check=False, capture_output=True, text=True, timeout=50
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    return run.stdout.splitlines()


def test_the_file_is_all_that_went_over_the_line(done: Done) -> None:
    ours, all_of_it = (sorted(shown(done.folder / f"{name}.pcap")) for name in ("scan", "outside"))
    assert ours == all_of_it
    assert len(ours) == done.whole["review"]["capture"]["packets"] > 500


def test_the_sweep_is_in_it(done: Done) -> None:
    to = {
        m[1] for text in shown(done.folder / "scan.pcap") if (m := re.search(r"> (198\.18\.4\.\d+)\.", text))
    }
    assert len(to) == 126 and set(LIVE) < to, "whoever was asked in vain as well"
    snmp = [text for text in shown(done.folder / "scan.pcap", "-A") if "UDP" in text and ".161:" in text]
    assert len(snmp) > 100


def test_the_scan_that_went_on_added_to_the_file(done: Done) -> None:
    before, after = (one["review"]["capture"] for one in (done.half, done.whole))
    assert done.half["review"]["interrupted"] and not done.whole["review"]["interrupted"]
    assert before["packets"] < after["packets"] and before["size"] < after["size"]
    assert before["file"] == after["file"] == "scan.pcap"
    whole = (done.folder / "scan.pcap").read_bytes()
    assert (len(whole), hashlib.sha256(whole).hexdigest()) == (after["size"], after["sha256"])
    assert whole[: before["size"]] == (done.folder / "half.pcap").read_bytes()
    assert hashlib.sha256(whole[: before["size"]]).hexdigest() == before["sha256"]


def test_scapy_reads_under_each_number_what_the_observation_is_about(done: Done) -> None:
    packets._layers()
    utils = pytest.importorskip("scapy.utils")
    with utils.PcapReader(str(done.folder / "scan.pcap")) as reader:
        read = list(reader)
    named = 0
    for review in (done.half, done.whole):
        for seen in review["observations"]:
            for number in (n for first, last in seen["packets"] for n in range(first, last + 1)):
                packet, where = read[number - 1], seen["endpoint"]
                ends = {packet["IP"].src, packet["IP"].dst}
                assert where["address"] in ends, (seen["kind"], number)
                if packet.haslayer(where["transport"].upper()) and not packet.haslayer("ICMP"):
                    transport = packet[where["transport"].upper()]
                    assert where["port"] in (transport.sport, transport.dport), (seen["kind"], number)
                named += 1
    proofs = {id for r in done.whole["results"] if r["result"] == "fail" for id in r["observations"]}
    proven = [o for o in done.whole["observations"] if o["id"] in proofs]
    assert named > 200 and len(done.whole["devices"]) == len(LIVE)
    assert {o["id"] for o in proven if o["packets"]} == proofs, "each finding can be traced to packets"
    greeting = b"220 device ready\r\n"
    assert any(bytes(p["TCP"].payload) == greeting for p in read if p.haslayer("TCP")), (
        "and its bytes are there"
    )


def test_every_packet_is_whole_and_ours(done: Done) -> None:
    us = ip_address("198.18.0.1").packed
    utils = pytest.importorskip("scapy.utils")
    with utils.RawPcapReader(str(done.folder / "scan.pcap")) as reader:
        for data, meta in reader:
            frame = frames.read(data[pcap_file.LINK_HEADER :])
            assert frame is not None and meta.caplen == meta.wirelen == len(data)
            assert us in (frame.source, frame.target)


def test_the_headers_that_a_review_keeps_are_those_that_tcpdump_saw(done: Done) -> None:
    packets._layers()
    utils = pytest.importorskip("scapy.utils")
    with utils.PcapReader(str(done.folder / "headers.pcap")) as reader:
        outside = [bytes(packet["IP"]) for packet in reader if packet.haslayer("IP")]
    review, account = (
        json.loads((done.folder / f"{name}.json").read_text()) for name in ("headers", "account")
    )
    unproven = [o for o in review["observations"] if o["sockets"] and not o["transcript"]]
    assert len(unproven) > 5 and all(o["headers"] for o in unproven), "each state of a port has its packets"
    for seen in unproven:
        sent, back = ([h for h in seen["headers"] if h["direction"] == way] for way in ("sent", "received"))
        assert {0x02} == {bytes.fromhex(h["hex"])[33] for h in sent[:1]}, "a request: SYN alone"
        flags = {bytes.fromhex(h["hex"])[33] for h in back}
        refuses = seen["facts"]["state"] == "refusing"
        assert flags == {0x14 if refuses else 0x12}, (
            "RST+ACK of a port that refuses, SYN+ACK of one that accepts"
        )
        for header in seen["headers"]:
            kept = bytes.fromhex(header["hex"])
            assert any(packet.startswith(kept) for packet in outside), "octet for octet as on the wire"
    assert all("headers" not in o for o in account["observations"]), "without the right to capture"
    assert sum(bool(o["sockets"]) for o in account["observations"]) > 5
