"""The checks of discovery and of the time service, against widespread daemons in a network of their own.

Most of them speak to every host of their link, so they are alone with us in a network namespace.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = [pytest.mark.peer, pytest.mark.slow]

Program = Callable[[str, str], str]

# Program to the Debian package that has it.
PROGRAMS = {
    "ntpd": "ntpsec",
    "wsdd": "wsdd",
    "gmediarender": "gmediarender",
    "nmbd": "samba",
    "llmnrd": "llmnrd",
    "ip": "iproute2",
    "unshare": "util-linux",
}
DEVICE, GROUP_ONLY = (
    "192.0.2.10",
    "192.0.2.20",
)  # the second one's WS-Discovery heeds the multicast group alone
NEAR, GUARDED = (
    "192.0.2.1",
    "192.0.2.2",
)  # where we ask from; the time server turns the second one's queries away
CHECKS = (
    "ntp-control-reply",
    "discovery-ws-discovery",
    "discovery-ssdp",
    "discovery-netbios",
    "discovery-llmnr",
)

KEPT = ("private dir", "lock directory", "state directory", "cache directory", "pid directory", "ncalrpc dir")
FILES = {
    "ntp.conf": f"""
disable ntp
interface ignore all
interface listen {DEVICE}
restrict {NEAR}
restrict {GUARDED} noquery
""",
    "smb.conf": f"""
[global]
netbios name = device01
interfaces = {DEVICE}/24
bind interfaces only = yes
server role = standalone server
"""
    + "".join(f"{kind} = FOLDER/samba\n" for kind in KEPT),
    "scope.yaml": """
scope: "hardenprobe.scope/1"
name: "a network of its own"
authorised_by: "the test"
networks: ["192.0.2.0/24"]
""",
    "inventory.yaml": f"""
inventory: "hardenprobe.inventory/1"
devices:
  - {{asset_tag: "one", kind: "printer", names: ["device01.devices.example"], addresses: ["{DEVICE}"]}}
""",
    # The draft of April 2005, by a library: it takes its time, and answers from another port than it is asked at.
    "target.py": f"""
import time
from wsdiscovery import QName
from wsdiscovery.publishing import ThreadedWSPublishing
target = ThreadedWSPublishing()
target.start()
target.publishService([QName("http://schemas.xmlsoap.org/ws/2006/02/devprof", "Device", "wsdp")], [],
                      ["http://{DEVICE}:5357/"])
print("published", flush=True)
time.sleep(60)
""",
}
SCRIPT = f"""
set -e
cd "$1"
ip link set lo up
ip link add wire type veth peer name end
for host in {DEVICE} {NEAR} {GUARDED}; do ip address add $host/24 dev wire; done
ip link set wire addrgenmode none up
ip address add {GROUP_ONLY}/32 dev end
ip link set end up
ip route add 224.0.0.0/4 dev wire
ntpd -n -c ntp.conf > ntpd.out 2>&1 &
wsdd --interface end --ipv4only --hostname device01 > wsdd.out 2>&1 &
nmbd --foreground --no-process-group --debug-stdout --configfile=smb.conf > nmbd.out 2>&1 &
llmnrd --hostname device01 > llmnrd.out 2>&1 &
gmediarender --interface-name=wire --friendly-name=device01 > gmediarender.out 2>&1 &
"$2" target.py > target.out 2>&1 &
for _ in $(seq 100); do
    bound=$(ss -Hlun | grep -Eo '(192.0.2.10:(123|137)|192.0.2.20:3702|0.0.0.0:(1900|3702|5355)) ' | sort -u | wc -l)
    [ "$bound" -eq 6 ] && grep -q published target.out && grep -q Ready gmediarender.out && break
    sleep 0.1
done
"$2" -m hardenprobe scan {GROUP_ONLY} --only discovery-ws-discovery --only web-services-in-clear --ports 5357 --scope scope.yaml \\
    --store other.db --json {GROUP_ONLY}.json > other.out 2>&1 &
other=$!
"$2" -m hardenprobe scan {DEVICE} {" ".join(f"--only {check}" for check in CHECKS)} --ports 80 --scope scope.yaml \\
    --inventory inventory.yaml --source {NEAR} --source {GUARDED} --store store.db --json {DEVICE}.json || :
wait "$other" || :
"""


@pytest.fixture(scope="module")
def reviews(program: Program, folder: Callable[[str], Path]) -> dict[str, Any]:
    """Address to the review of it."""
    for name, package in PROGRAMS.items():
        program(name, package)
    alone = (shutil.which("unshare") or "", "--net", "--mount", "--pid", "--fork", "--kill-child")
    if os.getuid() != 0 or subprocess.run((*alone, "true"), check=False).returncode:
        pytest.skip("needs the privilege to make a network namespace")
    where = folder("datagrams")
    (where / "samba").mkdir()
    for name, text in FILES.items():
        (where / name).write_text(text.replace("FOLDER", str(where)))
    done = subprocess.run(
        (*alone, "sh", "-c", SCRIPT, "sh", where, sys.executable),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={**os.environ, "PATH": os.environ["PATH"] + ":/usr/sbin:/sbin"},
    )
    written = {host: where / f"{host}.json" for host in (DEVICE, GROUP_ONLY)}
    assert all(file.exists() for file in written.values()), done.stderr + "".join(
        o.read_text() for o in where.glob("*.out")
    )
    return {host: json.loads(file.read_text()) for host, file in written.items()}


@pytest.fixture(scope="module")
def found(reviews: dict[str, Any]) -> dict[str, Any]:
    """The review of the device that talks."""
    result: dict[str, Any] = reviews[DEVICE]
    return result


def word(found: dict[str, Any], check: str, source: str | None = None) -> tuple[str, str | None]:
    """Result and reason of a check, as asked from one of our addresses, or from the first."""
    vantage = next(v["name"] for v in found["vantages"] if source in (None, v["source"]))
    ((result, reason),) = (
        (r["result"], r["reason"]) for r in found["results"] if (r["check"], r["vantage"]) == (check, vantage)
    )
    return result, reason


def says(found: dict[str, Any], kind: str) -> set[str]:
    """What the replies of a kind say, of those that are answers."""
    return {o["facts"]["says"] for o in found["observations"] if o["kind"] == kind and o["facts"]["says"]}


def test_a_time_server_that_tells_its_variables_is_found_by_whom_it_lets_ask(found: dict[str, Any]) -> None:
    assert word(found, "ntp-control-reply") == ("fail", None)
    assert any("stratum=16" in text for text in says(found, "ntp-control-answer"))


def test_silence_to_a_source_that_it_turns_away_passes_beside_an_answer(found: dict[str, Any]) -> None:
    assert word(found, "ntp-control-reply", GUARDED)[0] == "pass"


@pytest.mark.parametrize(
    ("check", "kind", "text"),
    [
        ("discovery-ws-discovery", "ws-discovery-answer", "Device"),
        ("discovery-ssdp", "ssdp-answer", "st upnp:rootdevice; location http://192.0.2.10:"),
        ("discovery-netbios", "netbios-answer", "DEVICE01, WORKGROUP"),
        ("discovery-llmnr", "llmnr-answer", "192.0.2.10"),
    ],
)
def test_a_daemon_of_discovery_is_found(check: str, kind: str, text: str, found: dict[str, Any]) -> None:
    assert word(found, check) == ("fail", None)
    assert any(text in said for said in says(found, kind)), says(found, kind)


def test_a_target_that_heeds_the_group_alone_is_silent_and_not_proven_off(reviews: dict[str, Any]) -> None:
    assert word(reviews[GROUP_ONLY], "discovery-ws-discovery") == ("unknown", "silent")


def test_web_services_that_answer_http_in_clear_are_found(reviews: dict[str, Any]) -> None:
    """wsdd answers what WS-Discovery leads to, over HTTP at 5357/tcp."""
    assert word(reviews[GROUP_ONLY], "web-services-in-clear") == ("fail", None)


@pytest.fixture(scope="module")
def chronyd(telnetd: Any, folder: Any, program: Program, start: Any, port_offset: int) -> str:
    """A time server on one loopback address, which leaves the clock alone, beside something that proves the host alive."""
    if os.geteuid() != 0:
        pytest.skip("chronyd wants to be root's")
    host, where = telnetd(), folder("chronyd")
    settings = (f"bindaddress {host}", f"port {123 + port_offset}", "allow all", "local stratum 5", "cmdport 0",
                "bindcmdaddress /", f"pidfile {where / 'pid'}")  # fmt: skip
    command = (program("chronyd", "chrony"), "-4", "-x", "-d", "-u", "root", *settings)
    start(command, where, ready=lambda: tells_the_time(host, 123 + port_offset))
    return str(host)


def tells_the_time(host: str, port: int) -> bool:
    """Ask as a client does (RFC 5905 section 7.3: version 4, mode 3); a server answers in mode 4."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.settimeout(0.2)
        sock.sendto(b"\x23" + bytes(47), (host, port))
        try:
            return sock.recv(100)[0] & 7 == 4
        except OSError:
            return False


def test_a_time_server_that_knows_no_control_queries_is_silent_and_not_proven_off(
    chronyd: str, scan: Any, said: Any
) -> None:
    assert said(scan(chronyd), chronyd, "ntp-control-reply") == {("udp/123", None, "unknown, silent")}
