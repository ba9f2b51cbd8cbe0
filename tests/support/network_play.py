"""Raise a network in namespaces of this process's own, ask it, and keep what came of it.

    python network_play.py scan|touch FOLDER ARGUMENTS

ARGUMENTS is JSON. For `scan`: `scans`, name to `network` (one of network_lab), `sources`, `targets` (all listed addresses by
default), `ping`, whether this user may send echo requests, and further `options`; `seeds` of random networks to be scanned beside them and those of network_examples.py; and how many of all `at_once`. For
`touch`: `network`, `ports`, and the seconds to `wait`. FOLDER then holds played.pickle. The status is 77 where this user may
make no namespaces.
"""

from __future__ import annotations

import errno
import importlib
import json
import os
import pickle
import re
import select
import socket
import sys
import time
import traceback
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import hardenprobe
from hardenprobe.demo_lab import namespaces, network, network_lab, network_random, truth_network
from hardenprobe.errors import UsageError

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.network_examples import EXAMPLES

OFFICE = Path(hardenprobe.__file__).parent / "baselines" / "office-device.yaml"


def network_of(given: dict[str, Any]) -> network.Network:
    net: network.Network = getattr(network_lab, given["network"])
    return net


def play(net: network.Network, folder: Path, given: dict[str, Any]) -> dict[str, Any]:
    """One scan, with how long it took and what the stations counted in the meantime."""
    namespaces.leave()
    Path("/proc/sys/net/ipv4/ping_group_range").write_text(f"{'0' if given.get('ping') else '1'} 0")
    with network.raised(net) as standing, network.serving(standing, folder) as stations:
        inventory, scope = network.write_files(net, folder)
        began = time.monotonic()
        review = hardenprobe.scan(
            given.get("targets") or [a for s in net.stations for a in s.device.listed.addresses],
            inventory=inventory if any(s.device.listed.listed for s in net.stations) else None,
            scope=scope,
            sources=given.get("sources", ()),
            plugins=False,
            **given.get("options", {}),
        )
        return {"review": review, "seconds": time.monotonic() - began, "counted": stations.counted()}


def touch(net: network.Network, folder: Path, given: dict[str, Any]) -> dict[tuple[str, str, int], str]:
    """What plain sockets meet, without anything of hardenprobe's scan: source, address and TCP port to its fate."""
    namespaces.leave()
    found = {}
    with network.raised(net) as standing, network.serving(standing, folder):
        waiting = {}
        for source in (s for own in net.scanner.values() for s in own):
            for address in (a for s in net.stations for a in s.addresses if (":" in a) == (":" in source)):
                for port in given["ports"]:
                    sock = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET)
                    sock.setblocking(False)
                    sock.bind((source, 0))
                    sock.connect_ex((address, port))
                    waiting[sock] = (source, address, port)
        until = time.monotonic() + given["wait"]
        while waiting and time.monotonic() < until:
            for sock in select.select([], list(waiting), [], 0.05)[1]:
                number = sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
                refused = number == errno.ECONNREFUSED
                found[waiting.pop(sock)] = "refusing" if refused else "silent" if number else "open"
                sock.close()
        for sock, what in waiting.items():
            found[what] = "silent"
            sock.close()
    return found


def try_network(net: network.Network, sources: Sequence[str], folder: Path) -> dict[str, Any]:
    """Scan a network, and say where truth and verdicts differ."""
    hasty = folder / "hasty.yaml"
    hasty.write_text(re.sub(r"(?m)^(  connect): [\d.]+$", r"\1: 1.5\n  second_try: 0.5", OFFICE.read_text()))
    options = {"ports": "23,80,9100", "only": sorted(truth_network.CHECKS), "baseline": hasty}
    made = play(net, folder, {"sources": sources, "options": options})
    review = made["review"]
    vantages = truth_network.asking(review, sources)
    truth = set(truth_network.verdicts(net, vantages, review.coverage.tcp_ports))
    verdicts = truth_network.said(review)
    return {
        "wrong": verdicts - truth,
        "missing": truth - verdicts,
        "seconds": made["seconds"],
        "words": sorted(v.word for v in truth),
    }


def warm_up() -> None:
    """Import once what a scan imports late, and not in each of many processes."""
    hardenprobe.scan("127.78.77.1", only=["cleartext-telnet"], ports="23", plugins=False)
    importlib.import_module("httpx")


def beside(work: Iterable[tuple[str, Callable[[Path], Any]]], folder: Path, at_once: int) -> dict[str, Any]:
    """What each piece of work comes to in a process of its own, several at a time: each waits more than it works."""
    left, running, made = list(work), dict[int, str](), dict[str, Any]()
    while left or running:
        while left and len(running) < at_once:
            name, run = left.pop(0)
            own = folder / name
            own.mkdir()
            if not (pid := os.fork()):
                kept: Any = None
                try:
                    kept = run(own)
                except BaseException:  # noqa: BLE001 - told by the parent, and this process must end here
                    kept = {"failed": traceback.format_exc()}
                finally:
                    (own / "kept").write_bytes(pickle.dumps(kept))
                    os._exit(0)
            running[pid] = name
        pid, _ = os.wait()
        name = running.pop(pid)
        made[name] = pickle.loads((folder / name / "kept").read_bytes())
    return made


def main(what: str, folder: Path, given: dict[str, Any]) -> int:
    probe = os.fork()
    if not probe:
        try:
            namespaces.leave()
        except UsageError as exc:
            print(exc, file=sys.stderr)
            os._exit(77)
        os._exit(0)
    if os.waitstatus_to_exitcode(os.waitpid(probe, 0)[1]):
        return 77
    if what == "touch":
        made = touch(network_of(given), folder, given)
    else:
        warm_up()
        scans = [(name, partial(play, network_of(one), given=one)) for name, one in given["scans"].items()]
        drawn = {str(seed): network_random.network(seed) for seed in given["seeds"]}
        tried = [(name, partial(try_network, *one)) for name, one in (drawn | EXAMPLES).items()]
        made = beside([*scans, *tried], folder, given["at_once"])
    (folder / "played.pickle").write_bytes(pickle.dumps(made))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], Path(sys.argv[2]), json.loads(sys.argv[3])))
