"""Ordinary servers on a network of filtered, translated and dual-stack stations: one scan with default options, every verdict declared."""

from __future__ import annotations

import pickle
import re
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.model import Review
from hardenprobe.store import opening
from hardenprobe.store import usage as kept_usage

pytestmark = [pytest.mark.peer, pytest.mark.slow]

PROGRAMS = {
    "nginx": "nginx-light", "vsftpd": "vsftpd", "telnetd": "inetutils-telnetd", "snmpd": "snmpd",
    "sshd": "openssh-server", "avahi-daemon": "avahi-daemon", "wsdd": "wsdd", "llmnrd": "llmnrd", "dnsmasq": "dnsmasq-base", "nft": "nftables",
    "ip": "iproute2", "unshare": "util-linux",
}  # fmt: skip
FOUR, SIX = "10.77.1.41", "fd00:77:1::41"

# Station and check to every result, with its place where it has one. Written from how the stations are set.
TRUTH: dict[tuple[str, str], set[tuple[str, str | None, int | None]]] = {
    ("RN-01", "cleartext-ftp"): {("fail", SIX, 21)},
    ("RN-01", "cleartext-http-management"): {("fail", SIX, 80)},
    ("RN-01", "allow-list-ipv6-bypass"): {("fail", SIX, 21), ("fail", SIX, 80)},
    ("RN-01", "cleartext-telnet"): {("pass", None, None)},
    ("RN-02", "cleartext-telnet"): {("fail", "10.77.2.42", 23)},
    ("RN-02", "snmp-default-community-read"): {("fail", "10.77.2.42", 161)},
    ("RN-02", "cleartext-http-management"): {("pass", None, None)},
    ("RN-02", "cleartext-ftp"): {("pass", None, None)},
    ("RN-01", "channel-contradiction"): {("informational", FOUR, 80), ("unknown", None, None)},
    # Of nginx, whose port is dropped; what listens on 21 for the station itself is none, and nothing has a printer MIB.
    ("RN-02", "channel-contradiction"): {("informational", "10.77.2.42", 80), ("unknown", None, None)},
    ("RN-03", "cleartext-http-management"): {("pass", "10.77.3.43", 80)},
    ("RN-03", "cleartext-telnet"): {("pass", None, None)},
    ("RN-03", "cleartext-ftp"): {("pass", None, None)},
    ("RN-03", "tls-deprecated-version"): {("pass", "10.77.3.43", 443)},
    ("RN-03", "ssh-legacy-protocol"): {("pass", "10.77.3.43", 22)},
    ("RN-04", "discovery-mdns"): {("fail", "10.77.2.44", 5353)},
    ("RN-04", "discovery-ws-discovery"): {("fail", "10.77.2.44", 3702)},
    ("RN-04", "discovery-llmnr"): {("fail", "10.77.2.44", 5355)},
    ("RN-04", "discovery-ssdp"): {("pass", "10.77.2.44", 1900)},
    ("RN-06", "cleartext-http-management"): {("fail", "fd00:77:1::46", 80)},
    ("RN-08", "discovery-mdns"): {("fail", "10.77.2.48", 5353)},
    ("RN-08", "discovery-ws-discovery"): {("fail", "10.77.2.48", 3702)},
    ("RN-08", "discovery-llmnr"): {("fail", "10.77.2.48", 5355)},
    ("RN-08", "discovery-ssdp"): {("pass", "10.77.2.48", 1900)},
    ("RN-05", "discovery-mdns"): {("pass", "10.77.2.45", 5353)},
    ("RN-05", "discovery-ws-discovery"): {("pass", "10.77.2.45", 3702)},
    ("RN-05", "discovery-llmnr"): {("pass", "10.77.2.45", 5355)},
    ("RN-05", "discovery-ssdp"): {("pass", "10.77.2.45", 1900)},
}


@pytest.fixture(scope="module")
def scanned(program: Callable[[str, str], str], folder: Callable[[str], Path]) -> tuple[Review, Path]:
    for name, package in PROGRAMS.items():
        program(name, package)
    if subprocess.run((shutil.which("unshare") or "", "--net", "true"), check=False).returncode:
        pytest.skip("needs the privilege to make network namespaces")
    where = folder("network")
    script = Path(__file__).parents[1] / "support" / "network_servers.py"
    command = (sys.executable, script, where, *sorted({check for _, check in TRUTH}))
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr[-4000:]
    return pickle.loads((where / "review.pickle").read_bytes()), where


@pytest.fixture(scope="module")
def said(scanned: tuple[Review, Path]) -> dict[tuple[str, str], Any]:
    review, _ = scanned
    tags = {device.id: device.label for device in review.devices}
    found: dict[tuple[str, str], Any] = {}
    for r in review.results:
        place = (r.endpoint.address, r.endpoint.port) if r.endpoint else (None, None)
        found.setdefault((tags[r.device], r.check), set()).add((str(r.result), *place))
    return found


@pytest.mark.parametrize(("station", "check"), TRUTH)
def test_what_is_said_of_a_real_server_is_what_is_declared(station: str, check: str, said: Any) -> None:
    assert said[station, check] == TRUTH[station, check]


def test_a_name_server_is_asked_once_for_each_listed_name_and_followed_inside_the_scope_alone(
    scanned: tuple[Review, Path],
) -> None:
    review, where = scanned
    log = (where / "RN-07-dnsmasq.out").read_text()
    asked = Counter(re.findall(r"query\[(A+)\] (\S+) from", log))
    names = {f"device{n:02}.devices.example" for n in (4, 5, 6, 8)}
    assert asked == {(kind, name): 1 for kind in ("A", "AAAA") for name in names}
    tags = {device.id: device.label for device in review.devices}
    left_out = [(tags[n.device], n.address, n.told_by, n.why) for n in review.coverage.not_assessed]
    assert ("RN-06", "192.0.2.46", "dns", "outside the scope") in left_out
    assert not [
        o
        for seen in review.observations.values()
        for o in seen
        if o.endpoint and o.endpoint.address == "192.0.2.46"
    ]


def test_answers_of_link_local_addresses_are_a_device_s_where_the_link_says_so(
    scanned: tuple[Review, Path],
) -> None:
    review, _ = scanned
    told = {device.id: device.label for device in review.devices}
    of_group = {
        (told[d], o.kind): o.facts.question
        for d, seen in review.observations.items()
        for o in seen
        if getattr(o.facts, "group", False) and o.facts.answered and "of the group ff02:" in o.facts.question
    }
    assert set(of_group) == {
        ("RN-08", kind) for kind in ("mdns-answer", "ws-discovery-answer", "llmnr-answer")
    }
    assert not [
        o
        for seen in review.observations.values()
        for o in seen
        if o.endpoint and o.endpoint.address.startswith("fe80")
    ]
    (counted,) = (n for n in review.notices if n.startswith("multicast on"))
    assert counted.endswith("answers from outside the scope, counted and not kept: 1")


def test_a_client_that_the_device_itself_reports_is_a_user_of_its_service(
    scanned: tuple[Review, Path],
) -> None:
    """One client is connected to the Telnet server all the while; the scan's own connections are left out."""
    with opening.opened(str(scanned[1] / "store.db")) as kept:
        (source,) = kept_usage.sources(kept)
        (use,) = kept_usage.uses(kept)

    assert (source.kind, source.devices) == ("table", (FOUR, "10.77.2.42"))
    assert (use.client, use.address, use.transport, use.port, use.conversations) == (
        FOUR, "10.77.2.42", "tcp", 23, 1,
    )  # fmt: skip
