"""The second door, in a process of its own: an audit hook cannot be taken out of the one that runs the tests."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.slow  # a process of its own for each: an audit hook stays

ROOT = Path(__file__).parent.parent

PLUGIN = """
import asyncio, http.client, socket, urllib.request

def connect(port):
    with socket.socket() as sock: sock.connect(("127.0.0.1", port))
def connect_ex(port):
    with socket.socket() as sock: sock.connect_ex(("127.0.0.1", port))
def create_connection(port):
    socket.create_connection(("127.0.0.1", port)).close()
def sendto(port):
    with socket.socket(type=socket.SOCK_DGRAM) as sock: sock.sendto(b"x", ("127.0.0.1", port))
def sendmsg(port):
    with socket.socket(type=socket.SOCK_DGRAM) as sock: sock.sendmsg([b"x"], [], 0, ("127.0.0.1", port))
def getaddrinfo(port):
    socket.getaddrinfo("localhost", port)
def gethostbyname(port):
    socket.gethostbyname("localhost")
def serve(port):
    with socket.socket() as sock:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind(("127.0.0.9", port))
def urlopen(port):
    urllib.request.build_opener(urllib.request.ProxyHandler({})).open(f"http://127.0.0.1:{port}/", timeout=2)
async def coroutine(port):
    _, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.close()
    await writer.wait_closed()

BLOCKING = (connect, connect_ex, create_connection, sendto, sendmsg, getaddrinfo, gethostbyname, serve, urlopen)
"""

SCAN = """
import asyncio, json, sys
import loud_plugin
from hardenprobe import guard
from hardenprobe.engine import Scan
from hardenprobe.errors import ScopeRefused
from hardenprobe.facts import TcpPort
from hardenprobe.inventory import Inventory
from hardenprobe.link import Line, Timing
from hardenprobe.plan import Plan, targets
from hardenprobe.probes.certificates import TrustAnchors
from hardenprobe.records import Reach, Vantage
from hardenprobe.scope import Scope

port = int(sys.argv[1])

def verdict(call):
    try:
        call(port)
    except ScopeRefused as exc:
        return str(exc)
    except Exception as exc:
        return type(exc).__name__
    return "done"

async def attempts():
    found = {call.__name__: verdict(call) for call in loud_plugin.BLOCKING}
    try:
        await loud_plugin.coroutine(port)
        found["coroutine"] = "done"
    except ScopeRefused as exc:
        found["coroutine"] = str(exc)
    return found

async def scan():
    plan = Plan(
        targets=targets(["127.0.0.1"]), tcp_ports=(23,), udp_ports=(), reach=Reach.LOOK, scope=Scope.loopback(),
        vantages=(Vantage(name="here"),), checks=frozenset(), communities=(), http_paths=(),
        timing=Timing(pause=0), port_offset=port - 23,
    )
    anchors = TrustAnchors.load([], system=False)
    running = Scan(plan=plan, inventory=Inventory(), wanted=frozenset({TcpPort}), anchors=anchors)
    out = {}
    async for visit in running.visits():
        out["scanned"] = [o.facts.greeting for o in visit.observations if not o.facts.control]
        out["during"] = await attempts()
    out["refusals"] = dict(guard.refusals)
    out["after"] = await attempts()
    async for visit in Scan(plan=plan, inventory=Inventory(), wanted=frozenset({TcpPort}), anchors=anchors).visits():
        pass
    out["second scan"] = dict(guard.refusals)
    return out

print(json.dumps(asyncio.run(scan())))
"""


class Listener:
    """A TCP listener that says hello; counts what comes, over TCP and UDP on the same number."""

    def __init__(self) -> None:
        self.tcp = socket.create_server(("127.0.0.1", 0))
        self.port = int(self.tcp.getsockname()[1])
        self.udp = socket.socket(type=socket.SOCK_DGRAM)
        self.udp.bind(("127.0.0.1", self.port))
        self.udp.settimeout(0.5)
        self.accepted = 0
        self.thread = threading.Thread(target=self._serve)
        self.thread.start()

    def _serve(self) -> None:
        while True:
            peer, _ = self.tcp.accept()
            with peer:
                self.accepted += 1
                try:
                    peer.sendall(b"HTTP/1.0 204 hello\r\n\r\n")
                    if peer.recv(1000) == b"stop":
                        return
                except ConnectionError:
                    pass

    def datagrams(self) -> int:
        found = 0
        try:
            while self.udp.recv(100):
                found += 1
        except TimeoutError:
            return found
        return found

    def close(self) -> None:
        with socket.create_connection(("127.0.0.1", self.port)) as sock:
            sock.sendall(b"stop")
            sock.settimeout(5)
            try:
                while sock.recv(100):
                    pass
            except ConnectionError:
                pass
        self.thread.join(5)
        self.tcp.close()
        self.udp.close()


@pytest.fixture(scope="module")
def listener() -> Iterator[Listener]:
    found = Listener()
    yield found
    found.close()


@pytest.fixture(scope="module")
def told(listener: Listener, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder = tmp_path_factory.mktemp("guard")
    (folder / "loud_plugin.py").write_text(PLUGIN)
    (folder / "scan.py").write_text(SCAN)
    done = subprocess.run(
        [sys.executable, str(folder / "scan.py"), str(listener.port)],
        check=False,
        capture_output=True,
        text=True,
        timeout=50,
        env={**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{folder}", "HOME": str(folder)},
    )
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    found["accepted"], found["datagrams"] = listener.accepted, listener.datagrams()
    return found


def test_the_door_s_own_traffic_passes(told: dict[str, Any]) -> None:
    assert told["scanned"] == ["HTTP/1.0 204 hello\r\n\r\n"]


def test_a_plug_in_s_own_socket_is_refused_and_named_while_a_scan_runs(told: dict[str, Any]) -> None:
    assert len(told["during"]) == 10
    for call, said in told["during"].items():
        assert "past hardenprobe's door" in said, call
        assert said.startswith("loud_plugin tried ") or call == "urlopen", said
    assert told["during"]["urlopen"].startswith("http.client tried ")
    assert any("a look-up of 'localhost'" in said for said in told["during"].values())


def test_what_was_refused_is_counted_for_the_review(told: dict[str, Any], listener: Listener) -> None:
    assert sum(told["refusals"].values()) == 10
    assert told["refusals"][f"loud_plugin: 127.0.0.1 port {listener.port}"] == 6
    assert told["second scan"] == {}


def test_nothing_is_refused_when_no_scan_runs(told: dict[str, Any]) -> None:
    assert set(told["after"].values()) == {"done"}


def test_nothing_of_the_refused_arrived(told: dict[str, Any]) -> None:
    # TCP: two looks of the scans (each with one control port elsewhere), and five calls after the first scan.
    assert told["accepted"] == 7
    assert told["datagrams"] == 2
