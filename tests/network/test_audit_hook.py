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

ROOT = Path(__file__).parents[2]

PLUGIN = """
import asyncio, multiprocessing, os, pty, socket, subprocess, sys, threading, urllib.request

HERE = "127.0.0.1"

def connect(port):
    with socket.socket() as sock: sock.connect((HERE, port))
def connect_ex(port):
    with socket.socket() as sock: sock.connect_ex((HERE, port))
def connect_by_name(port):
    with socket.socket() as sock: sock.connect(("localhost", port))
def connect_by_another_spelling(port):
    with socket.socket() as sock: sock.connect(("127.1", port))
def connect_udp(port):
    with socket.socket(type=socket.SOCK_DGRAM) as sock: sock.connect((HERE, port))
def connect_ipv6(port):
    with socket.socket(socket.AF_INET6) as sock: sock.connect(("::1", port))
def connect_ipv6_with_a_zone(port):
    with socket.socket(socket.AF_INET6) as sock: sock.connect(("fe80::1", port, 0, 1))
def connect_with_a_family_that_lies(port):
    class Liar(socket.socket):
        family = socket.AF_NETLINK
    with Liar() as sock: sock.connect((HERE, port))
def create_connection(port):
    socket.create_connection((HERE, port)).close()
def in_a_thread(port):
    caught = []
    def run():
        try: socket.create_connection((HERE, port)).close()
        except Exception as exc: caught.append(exc)
    thread = threading.Thread(target=run); thread.start(); thread.join()
    if caught: raise caught[0]
def urlopen(port):
    urllib.request.build_opener(urllib.request.ProxyHandler({})).open(f"http://{HERE}:{port}/", timeout=2)
def sendto(port):
    with socket.socket(type=socket.SOCK_DGRAM) as sock: sock.sendto(b"x", (HERE, port))
def sendmsg(port):
    with socket.socket(type=socket.SOCK_DGRAM) as sock: sock.sendmsg([b"x"], [], 0, (HERE, port))
def getaddrinfo(port): socket.getaddrinfo("localhost", port)
def gethostbyname(port): socket.gethostbyname("localhost")
def gethostbyname_ex(port): socket.gethostbyname_ex("localhost")
def gethostbyaddr(port): socket.gethostbyaddr(HERE)
def getnameinfo(port): socket.getnameinfo((HERE, port), 0)
def serve(port):
    with socket.socket() as sock:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind(("127.0.0.9", port))
def run_command(port): subprocess.run(["true"], check=True)
def run_shell(port): os.popen("true").read()
def os_system(port): os.system("true")
def os_spawn(port): os.spawnv(os.P_WAIT, "/bin/true", ["true"])
def posix_spawn(port): os.waitpid(os.posix_spawn("/bin/true", ["true"], {}), 0)
def fork(port):
    if not (pid := os.fork()): os._exit(0)
    os.waitpid(pid, 0)

HARMLESS = (
    connect, connect_ex, connect_by_name, connect_by_another_spelling, connect_udp, create_connection, in_a_thread, urlopen,
    sendto, sendmsg, getaddrinfo, gethostbyname, gethostbyname_ex, gethostbyaddr, getnameinfo, serve,
    run_command, run_shell, os_system, os_spawn, posix_spawn, fork,
)

def raw_socket(port): socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_ICMP).close()
def packet_socket(port): socket.socket(socket.AF_PACKET, socket.SOCK_RAW).close()
def unix_socket(port):
    with socket.socket(socket.AF_UNIX) as sock: sock.connect("/nowhere/agent")
def unix_datagram(port):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock: sock.sendto(b"x", "/nowhere/log")
def unix_server(port):
    with socket.socket(socket.AF_UNIX) as sock: sock.bind("\\\\0hardenprobe-test")
def serve_anywhere(port):
    with socket.socket() as sock: sock.bind(("0.0.0.0", 0))
def serve_without_an_address(port):
    with socket.socket() as sock: sock.bind(("", 0))
def execute(port): os.execv("/bin/true", ["true"])
def pty_spawn(port): pty.spawn(["true"])
def process_spawn(port): multiprocessing.get_context("spawn").Process(target=print).start()
def process_fork(port): multiprocessing.get_context("fork").Process(target=print).start()

WAYS = (
    *HARMLESS, connect_ipv6, connect_ipv6_with_a_zone, connect_with_a_family_that_lies, raw_socket, packet_socket,
    unix_socket, unix_datagram, unix_server, serve_anywhere, serve_without_an_address, execute, pty_spawn, process_spawn, process_fork,
)

async def open_connection(port):
    _, writer = await asyncio.open_connection(HERE, port)
    writer.close()
async def loop_sock_connect(port):
    with socket.socket() as sock:
        sock.setblocking(False)
        await asyncio.get_running_loop().sock_connect(sock, (HERE, port))
async def datagram_endpoint(port):
    make = asyncio.get_running_loop().create_datagram_endpoint
    transport, _ = await make(asyncio.DatagramProtocol, remote_addr=(HERE, port))
    transport.close()
async def subprocess_exec(port):
    await (await asyncio.create_subprocess_exec("true")).wait()

COROUTINES = (open_connection, loop_sock_connect, datagram_endpoint, subprocess_exec)
"""

SCAN = """
import asyncio, json, socket, sys
import loud_plugin
from hardenprobe.network import audit_hook as guard
from hardenprobe.scanning.engine import Scan
from hardenprobe.errors import ScopeRefused
from hardenprobe.facts import TcpPort
from hardenprobe.devices.inventory import Inventory
from hardenprobe.network.link import Timing
from hardenprobe.planning.plan import Plan, targets
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.model import Reach, Vantage
from hardenprobe.scope.scope import Scope

port = int(sys.argv[1])

async def attempts(ways):
    found = {}
    for call in ways:
        try:
            done = call(port)
            if asyncio.iscoroutine(done): await done
        except ScopeRefused as exc:
            found[call.__name__] = str(exc)
        except Exception as exc:
            found[call.__name__] = f"{type(exc).__name__}: {exc}"
        else:
            found[call.__name__] = "done"
    return found

def beside():
    \"\"\"Link's own socket may go where another may not, at the same moment.\"\"\"
    with socket.socket() as own, socket.socket() as other:
        with guard.granted(own, "127.0.0.1", port):
            try:
                other.connect(("127.0.0.1", port))
            except ScopeRefused:
                own.connect(("127.0.0.1", port))
                return "held apart"

async def scan():
    plan = Plan(
        targets=targets(["127.0.0.1"]), tcp_ports=(23,), udp_ports=(), reach=Reach.LOOK, scope=Scope.loopback(),
        vantages=(Vantage(name="here", source="127.0.0.1"),), checks=frozenset(), communities=(), http_paths=(),
        timing=Timing(pause=0), port_offset=port - 23,
    )
    anchors = TrustAnchors.load([], system=False)
    def scanning(): return Scan(plan=plan, inventory=Inventory(), wanted=frozenset({TcpPort}), anchors=anchors)
    out = {}
    async for visit in scanning().visits():
        out["scanned"] = [o.facts.greeting for o in visit.observations if not o.facts.control]
        out["during"] = await attempts((*loud_plugin.WAYS, *loud_plugin.COROUTINES))
        socket.getaddrinfo("127.0.0.1", port)  # asks nobody
        socket.socketpair()[0].close()
        out["tried"] = guard.tried()
        out["beside"] = beside()
    out["after"] = await attempts((*loud_plugin.HARMLESS, *loud_plugin.COROUTINES))
    async for visit in scanning().visits():
        pass
    out["second scan"] = guard.tried()
    return out

if __name__ == "__main__":
    print(json.dumps(asyncio.run(scan())))
"""

CHECK = '''
"""A check that goes its own ways.

Fails when
    x
Passes when
    x
Unknown when
    x
Reach
    none
Why it matters
    x
Sources
    x
"""
import socket
from hardenprobe.checking.check import Check, passed
from hardenprobe.facts import TcpPort
from hardenprobe.model import Reach
from hardenprobe.remediation.general import CLOSE_PORT

def judge(seen, expect):
    try:
        socket.create_connection(("127.0.0.1", {port}), 1)
    except Exception:
        if not {quiet}: raise
    return [passed(o, "fine", "fine") for o in seen.tcp_ports]

CHECK = Check(id="{id}", document=__doc__, reads=(TcpPort,), judge=judge, vectors={{"": "AV:N/AC:L/Au:N/C:N/I:P/A:N/PL:ND/EM:A"}},
              remedy=CLOSE_PORT, controls=("CM-7",), reach=Reach.LOOK)
'''


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


def run(folder: Path, *command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *command],
        check=False,
        capture_output=True,
        text=True,
        timeout=50,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{folder}", "HOME": str(folder)},
    )


@pytest.fixture(scope="module")
def told(listener: Listener, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder = tmp_path_factory.mktemp("guard")
    (folder / "loud_plugin.py").write_text(PLUGIN)
    (folder / "scan.py").write_text(SCAN)
    done = run(folder, str(folder / "scan.py"), str(listener.port))
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    found["accepted"], found["datagrams"] = listener.accepted, listener.datagrams()
    return found


def test_the_door_s_own_traffic_passes(told: dict[str, Any]) -> None:
    assert told["scanned"] == ["HTTP/1.0 204 hello\r\n\r\n"]


def test_every_way_around_is_refused_while_a_scan_runs_and_says_who_tried(told: dict[str, Any]) -> None:
    assert len(told["during"]) == 40
    for call, said in told["during"].items():
        assert said.startswith("loud_plugin tried "), f"{call}: {said}"
        assert "past hardenprobe's door" in said, call


def test_what_was_refused_is_kept_for_the_review(told: dict[str, Any], listener: Listener) -> None:
    assert f"loud_plugin tried to reach 127.0.0.1 port {listener.port}, which was refused" in told["tried"]
    assert "loud_plugin tried a look-up of 'localhost', which was refused" in told["tried"]
    assert "loud_plugin tried to start a process (multiprocessing), which was refused" in told["tried"]
    assert told["second scan"] == []


def test_a_grant_holds_for_one_socket(told: dict[str, Any]) -> None:
    assert told["beside"] == "held apart"


def test_nothing_is_refused_when_no_scan_runs(told: dict[str, Any]) -> None:
    assert set(told["after"].values()) == {"done"}, told["after"]


def test_nothing_of_the_refused_arrived(told: dict[str, Any]) -> None:
    # TCP: two looks of each scan, since it greets; the granted socket, and after the first scan six plain calls, one page, two coroutines.
    assert told["accepted"] == 2 * 2 + 1 + 9
    assert told["datagrams"] == 2


def test_a_plug_in_that_tries_is_named_its_check_is_an_error_and_the_scan_goes_on(
    listener: Listener, tmp_path: Path
) -> None:
    """Two checks, one of which hides what happened to it, and one that goes out as soon as it is imported."""
    before = listener.accepted
    entries = "[hardenprobe.checks]\n"
    for name, quiet in (("loud-rule", False), ("quiet-rule", True)):
        module = name.replace("-", "_")
        (tmp_path / f"{module}.py").write_text(CHECK.format(id=name, port=listener.port, quiet=quiet))
        entries += f"{name} = {module}:CHECK\n"
    (tmp_path / "early_rule.py").write_text(
        f"import socket\nsocket.create_connection(('127.0.0.1', {listener.port}), 1)\n"
    )
    info = tmp_path / "site_rules-2.1.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: site-rules\nVersion: 2.1\n")
    (info / "entry_points.txt").write_text(entries + "early-rule = early_rule:CHECK\n")
    (info / "top_level.txt").write_text("loud_rule\nquiet_rule\nearly_rule\n")

    command = [
        "-m",
        "hardenprobe",
        "scan",
        "127.0.0.1",
        "--ports",
        "9000",
        "--port-offset",
        str(listener.port - 9000),
    ]
    done = run(tmp_path, *command, "--reach", "look", "--store", "store.db", "--json", "-")
    document = json.loads(done.stdout)
    words = {r["check"]: (r["result"], r["origin"]) for r in document["results"]}

    assert words["loud-rule"] == words["quiet-rule"] == ("error", "site-rules 2.1")
    assert words["unexpected-service"][0] in ("pass", "fail"), "the others are judged"
    assert done.returncode == 3, "a result in error makes a scan incomplete"
    place = f"to reach 127.0.0.1 port {listener.port}, which was refused"
    for name in ("loud_rule", "quiet_rule"):
        assert f"{name} of site-rules 2.1 tried {place}" in document["notices"]
    assert any(
        n.startswith("check early-rule from site-rules 2.1 cannot be used") and "past hardenprobe's door" in n
        for n in document["notices"]
    )
    assert listener.accepted == before + 2, "the scan itself came, and heard the greeting once more"
