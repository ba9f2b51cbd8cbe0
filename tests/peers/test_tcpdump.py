"""`scan --capture` beside tcpdump, which captures the same loopback at the same time and reads our file afterwards.

A part of the lab is scanned with the fleet's secrets while somebody else talks to the same devices.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from support.captures import capturing
from support.offset import OFFSET

from hardenprobe.demo_lab.process import INVENTORY, running_lab
from hardenprobe.errors import UsageError
from hardenprobe.network.capture import packet_socket

pytestmark = [pytest.mark.peer, pytest.mark.slow]

DEVICES = tuple(f"127.77.0.{n}" for n in (21, 107, 109, 110))  # raw print twice, and two that get secrets
PORTS = "21,22,23,80,443,515,631,8080,9100"
OFFICE = Path(__file__).parents[2] / "baselines" / "office-device.yaml"
SECRETS = """
secrets: "hardenprobe.secrets/1"
users:
  - {name: "collector", auth: "SHA-256", auth_password: "lab-reads-only", priv: "AES-128", priv_password: "lab-keeps-quiet"}
communities:
  - {label: "of the fleet", community: "north-quay-9"}
"""
COMMUNITY, STRANGER = b"north-quay-9", b"somebody-else-s-business"


@dataclass
class Captured:
    """A scan's review and file, and what tcpdump captured meanwhile."""

    review: dict[str, Any]
    file: Path
    outside: Path
    stranger: set[frozenset[str]]
    report: str
    trace: str


@dataclass
class Packet:
    number: int
    source: str
    target: str
    what: str

    @property
    def ends(self) -> frozenset[str]:
        """Both, in no order. One alone may be another's, too: TCP and UDP have the same port numbers."""
        return frozenset((self.source, self.target))


def tcpdump(*arguments: object) -> str:
    run = subprocess.run(
        ["tcpdump", *map(str, arguments)], check=False, capture_output=True, text=True, timeout=50
    )
    assert run.returncode == 0, run.stderr
    return run.stdout


def packets(file: Path) -> list[Packet]:
    lines = tcpdump("-n", "-#", "-q", "-t", "-r", file).splitlines()
    found = [re.match(r" *(\d+) +IP6? (\S+) > (\S+): (.*)", text) for text in lines]
    return [Packet(int(m[1]), m[2], m[3], m[4]) for m in found if m]


@contextlib.contextmanager
def stranger(done: threading.Event) -> Iterator[set[frozenset[str]]]:
    """Somebody else's sockets to the same devices, open and talking for the whole time."""
    web = socket.create_connection((DEVICES[0], 80 + OFFSET))
    agents = [socket.socket(type=socket.SOCK_DGRAM) for _ in DEVICES]
    for agent, address in zip(agents, DEVICES, strict=True):
        agent.connect((address, 161 + OFFSET))

    def talk() -> None:
        while not done.wait(0.02):
            for agent in agents:
                with contextlib.suppress(OSError):
                    agent.send(b"0\x26\x02\x01\x01\x04\x18" + STRANGER)
            with contextlib.suppress(OSError):
                web.send(b"GET / HTTP/1.1\r\nHost: x\r\nX-Note: " + STRANGER + b"\r\n\r\n")

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        ends = [(s.getsockname(), s.getpeername()) for s in (web, *agents)]
        yield {frozenset(f"{address}.{port}" for address, port in pair) for pair in ends}
    finally:
        done.set()
        thread.join()
        for sock in (web, *agents):
            sock.close()


def scan(*arguments: object) -> list[str]:
    return [
        sys.executable, "-m", "hardenprobe", "scan", *map(str, arguments), "--port-offset", str(OFFSET),
        "--no-plugins",
    ]  # fmt: skip


@pytest.fixture(scope="module")
def captured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Captured]:
    if shutil.which("tcpdump") is None:
        pytest.skip("tcpdump is missing; install the Debian package tcpdump")
    try:
        packet_socket.opened([]).close()
    except UsageError as exc:
        pytest.skip(str(exc))
    folder = tmp_path_factory.mktemp("captured")
    hasty = re.sub(r"(?m)^(  (?:connect|greeting|reply)): [\d.]+$", r"\1: 0.4", OFFICE.read_text())
    (folder / "hasty.yaml").write_text(hasty)
    (folder / "secrets.yaml").write_text(SECRETS)
    (folder / "secrets.yaml").chmod(0o600)
    store = ["--store", folder / "store.db"]
    with running_lab(port_offset=OFFSET, addresses=DEVICES) as lab:
        with (
            capturing("tcpdump", folder / "outside.pcap", "net", "127.77.0.0/24"),
            stranger(threading.Event()) as ports,
        ):
            run = subprocess.run(
                scan(
                    *DEVICES, "--inventory", INVENTORY, "--secrets", folder / "secrets.yaml", "--baseline",
                    folder / "hasty.yaml", "--ports", PORTS, "--capture", folder / "scan.pcap", "--json",
                    folder / "review.json", *store,
                ),
                check=False, capture_output=True, text=True, timeout=50,
            )  # fmt: skip
            assert run.returncode == 1, run.stderr
            assert not sum(lab.counters()["raw_print_bytes"].values())
        yield _of(folder, store, ports)


def _of(folder: Path, store: list[Any], ports: set[frozenset[str]]) -> Captured:
    report = [
        sys.executable,
        "-m",
        "hardenprobe",
        "report",
        "latest",
        "--format",
        "html",
        "-o",
        folder / "r.html",
    ]
    subprocess.run([*map(str, report), *map(str, store)], check=True, timeout=50, capture_output=True)
    review = json.loads((folder / "review.json").read_text())
    told = {o["id"] for o in review["observations"] if o["packets"]}
    finding = next(
        r["finding"] for r in review["results"] if r["result"] == "fail" and told & set(r["observations"])
    )
    trace = [sys.executable, "-m", "hardenprobe", "evidence", "show", finding, "--review", "latest"]
    shown = subprocess.run([*trace, *map(str, store)], check=True, timeout=50, capture_output=True, text=True)
    page = (folder / "r.html").read_text()
    return Captured(review, folder / "scan.pcap", folder / "outside.pcap", ports, page, shown.stdout)


def test_packet_numbers_are_those_that_tcpdump_shows(captured: Captured) -> None:
    shown = packets(captured.file)
    assert [p.number for p in shown] == list(range(1, captured.review["review"]["capture"]["packets"] + 1))
    named = 0
    for seen in captured.review["observations"]:
        where = seen["endpoint"]
        for number in (n for first, last in seen["packets"] for n in range(first, last + 1)):
            packet = shown[number - 1]
            ends = {packet.source, packet.target}
            port = f"{where['address']}.{where['port'] + OFFSET}"
            assert port in ends or where["address"] in ends and "ICMP" in packet.what, (seen["kind"], packet)
            named += 1
    assert named > 300
    asked = [o for o in captured.review["observations"] if o["transcript"]]
    # What came of a question to a multicast group has bytes alone: a capture does not follow that socket.
    groups = {"mdns-answer", "llmnr-answer", "ssdp-answer", "slp-answer", "ws-discovery-answer"}
    bare = [(o["kind"], o["endpoint"]) for o in asked if not o["packets"] and o["kind"] not in groups]
    assert len(asked) > 60 and not bare, "whatever has bytes has packets"
    proofs = {id for r in captured.review["results"] if r["result"] == "fail" for id in r["observations"]}
    unproven = [o["kind"] for o in captured.review["observations"] if o["id"] in proofs and not o["packets"]]
    assert set(unproven) <= {"declared-device", "dns-sd-text", *groups}


def test_nobody_else_s_packets_are_in_the_file(captured: Captured) -> None:
    ours, all_of_them = packets(captured.file), packets(captured.outside)

    assert captured.stranger <= {p.ends for p in all_of_them}, "the other traffic was there"
    assert not captured.stranger & {p.ends for p in ours}
    devices = {end for p in ours for end in p.ends if end.startswith(DEVICES)}
    assert {e.rpartition(".")[0] for e in devices} - set(DEVICES) <= {"127.77.0"}  # an ICMP error has no port
    # tcpdump leaves out one copy of each packet on loopback itself; what it saw of the scan is all in the file.
    # Other tests may scan other ports of the same devices at the same time: those of this scan are in its review.
    asked = {
        f"{o['endpoint']['address']}.{o['endpoint']['port'] + OFFSET}"
        for o in captured.review["observations"]
        if o["endpoint"]
    }
    others = [
        p for p in all_of_them if asked & p.ends and p.ends not in captured.stranger and "ICMP" not in p.what
    ]
    # The other capture is of the devices' network alone.
    mine = [p for p in ours if "ICMP" not in p.what and not p.target.startswith(("224.", "239."))]
    assert sorted((p.source, p.target, p.what) for p in mine) == sorted(
        (p.source, p.target, p.what) for p in others
    )


def test_no_secret_is_in_the_file(captured: Captured) -> None:
    outside, file = captured.outside.read_bytes(), captured.file.read_bytes()
    assert COMMUNITY in outside and STRANGER in outside, "both went over the line"
    for secret in (COMMUNITY, STRANGER, b"lab-reads-only", b"lab-keeps-quiet"):
        assert secret not in file
    assert b"*" * len(COMMUNITY) in file and b"SSH-2.0-" in file, "and what is no secret is there"


def test_the_stars_have_right_checksums(captured: Captured) -> None:
    # A card would complete the checksum of what leaves, and loopback has none: where all is shown, it is the kernel's.
    said = tcpdump("-n", "-vv", "-#", "-t", "-A", "-r", captured.file, "tcp or udp")
    blocks = [b for b in re.split(r"(?m)^ *\d+ +IP ", said) if "*" * 12 in b]
    assert len([b for b in blocks if "udp sum ok" in b]) > 5
    assert len([b for b in blocks if "(correct)" in b]) > 3
    assert not [b for b in blocks if "bad udp cksum" in b or "(incorrect" in b]


def test_raw_print_ports_got_no_byte(captured: Captured) -> None:
    raw = {f"{DEVICES[0]}.{9100 + OFFSET}", f"{DEVICES[1]}.{8080 + OFFSET}"}
    to_them = [p for p in packets(captured.file) if p.target in raw]
    assert {p.target for p in to_them} == raw
    assert {p.what for p in to_them} == {"tcp 0"}


def test_file_digest_and_packets_are_named(captured: Captured) -> None:
    head = captured.review["review"]["capture"]
    assert f'in scan.pcap, SHA-256 <code class="long">{head["sha256"]}</code>' in captured.report
    assert re.search(r"packets   \d[\d, -]* of the capture", captured.trace)
    assert head["lost"] == 0
    assert all("narrow review" in notice for notice in captured.review["notices"])


@pytest.mark.parametrize("presses", [1, 2])
def test_ctrl_c_leaves_a_whole_file(captured: Captured, tmp_path: Path, presses: int) -> None:
    file, document = tmp_path / "c.pcap", tmp_path / "c.json"
    process = subprocess.Popen(
        scan("127.77.0.0/24", "--reach", "look", "--ports", PORTS, "--capture", file, "--store", tmp_path / "store.db", "--json", document),
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    until = time.monotonic() + 20
    while time.monotonic() < until and not (file.exists() and file.stat().st_size > 20_000):
        time.sleep(0.02)
    for _ in range(presses):
        process.send_signal(signal.SIGINT)
        time.sleep(0.1)
    assert process.wait(40) == 3
    shown = packets(file)
    assert len(shown) > 100 and os.stat(file).st_mode & 0o777 == 0o600
    if presses == 1:
        review = json.loads(document.read_text())["review"]
        assert review["interrupted"] and review["capture"]["packets"] == len(shown)
