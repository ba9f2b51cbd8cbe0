"""Responders that listen to multicast groups alone, on a link of their own: found where the scope grants the link, and not told else."""

from __future__ import annotations

import io
import json
import os
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from functools import cache
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest

pytestmark = [pytest.mark.slow, pytest.mark.timeout(120)]

ANSWERS, SILENT, OUTSIDE = "198.18.0.11", "198.18.0.12", "198.18.0.99"
CHECKS = ("discovery-mdns", "discovery-ssdp", "discovery-slp", "discovery-ws-discovery", "discovery-llmnr")


@pytest.fixture(scope="module")
def scanned(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., dict[str, Any]]:
    alone = shutil.which("unshare")
    if alone is None or os.getuid() or subprocess.run((alone, "--net", "true"), check=False).returncode:
        pytest.skip("needs the privilege to make network namespaces")
    script = Path(__file__).parents[1] / "support" / "multicast_network.py"

    @cache
    def run(*grants: str) -> dict[str, Any]:
        folder = tmp_path_factory.mktemp("multicast")
        command = (alone, "--net", sys.executable, script, folder, *grants)
        done = subprocess.run(command, capture_output=True, text=True, timeout=100, check=False)
        assert (folder / "review.json").exists(), done.stderr
        found: dict[str, Any] = json.loads((folder / "review.json").read_text())
        return found | {"folder": folder}

    return run


def said(review: dict[str, Any], address: str) -> dict[str, tuple[str, str | None]]:
    (device,) = (d["id"] for d in review["devices"] if d["addresses"][0]["address"] == address)
    return {
        r["check"]: (r["result"], r["reason"])
        for r in review["results"]
        if r["device"] == device and r["check"] in CHECKS
    }


def test_the_group_of_a_granted_link_is_asked_once_and_answers_are_told_apart(
    scanned: Callable[..., dict[str, Any]],
) -> None:
    review = scanned("multicast:ours")
    assert said(review, ANSWERS) == dict.fromkeys(CHECKS, ("fail", None))
    assert said(review, SILENT) == dict.fromkeys(CHECKS, ("pass", None))
    assert not [o for o in review["observations"] if OUTSIDE in json.dumps(o)]
    assert "multicast on ours: answers from outside the scope, counted and not kept: 1" in review["notices"]


def test_questions_to_groups_are_in_the_plan_and_in_the_capture(
    scanned: Callable[..., dict[str, Any]],
) -> None:
    review = scanned("multicast:ours")
    plan = " ".join((review["folder"] / "plan.txt").read_text().split())
    assert "14 of these datagrams to multicast groups on ours, from 198.18.0.1" in plan
    seen = Counter(_datagrams((review["folder"] / "scan.pcap").read_bytes()))
    asked = {group: count for (_, group), count in seen.items() if ip_address(group).is_multicast}
    # Seven questions, each sent twice, and two for the name of each of two devices.
    assert asked == {"224.0.0.251": 2, "239.255.255.250": 8, "239.255.255.253": 4, "224.0.0.252": 4}
    assert review["review"]["cost"]["datagrams"] >= sum(asked.values())
    answered = {source for source, to in seen if to == "198.18.0.1"}
    assert ANSWERS in answered
    assert OUTSIDE not in answered, "outside the scope, counted and not kept"


def _datagrams(pcap: bytes) -> Iterator[tuple[str, str]]:
    """Source and destination of each UDP packet over IPv4, as scapy reads them."""
    from scapy.layers.inet import IP, UDP
    from scapy.layers.l2 import CookedLinux  # noqa: F401 - what the packets begin with
    from scapy.utils import PcapReader

    for packet in PcapReader(io.BytesIO(pcap)):
        if UDP in packet and IP in packet:
            yield packet[IP].src, packet[IP].dst


@pytest.mark.parametrize("grants", [(), ("multicast:theirs",)], ids=["none", "another link"])
def test_without_the_grant_an_unreachable_port_proves_nothing(
    grants: tuple[str, ...], scanned: Callable[..., dict[str, Any]]
) -> None:
    review = scanned(*grants)
    for address in (ANSWERS, SILENT):
        assert said(review, address) == dict.fromkeys(CHECKS, ("unknown", "off-link"))
    assert not [o for o in review["observations"] if o["facts"].get("group")]
