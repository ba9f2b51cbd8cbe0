"""Two network namespaces: ours, and one in which a few addresses of a network live and the rest swallows every packet.

    unshare --net python silent_network.py NETWORK STORE LIVE_ADDRESS...

Runs a scan of the network, prints its review as JSON and how long it took, and is gone with its namespaces. A route of
type blackhole drops without a word (Linux, ip-route(8)), as a filter does. `networks` is for other scripts that are run so.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from hardenprobe import cli

CLONE_NEWNET = 0x40000000  # Linux, sched.h
OURS, THEIRS = "198.18.0.1", "198.18.0.2"  # RFC 2544: for tests
THEIR_LINK = "02:00:00:00:00:02"


def run(*words: str) -> None:
    subprocess.run(words, check=True, timeout=10)


def ip(*words: str) -> None:
    run("ip", *words)


def serve(where: list[str]) -> None:
    """Ask whoever connects to port 21 for a password in the clear (RFC 959), for ever."""

    def greet(listener: socket.socket) -> None:
        while True:
            with listener.accept()[0] as one:
                one.settimeout(1)
                try:
                    one.sendall(b"220 device ready\r\n")
                    while one.recv(100):
                        one.sendall(b"331 and the password?\r\n")
                except OSError:
                    pass

    for address in where:
        threading.Thread(target=greet, args=(socket.create_server((address, 21)),), daemon=True).start()


def other_side(network: str, live: list[str], ready: int, go: int) -> None:
    """A namespace of its own, in the child."""
    if ctypes.CDLL(None, use_errno=True).unshare(CLONE_NEWNET):
        raise OSError(ctypes.get_errno(), "unshare")
    os.write(ready, b"1")
    os.read(go, 1)
    ip("link", "set", "lo", "up")
    ip("address", "add", f"{THEIRS}/30", "dev", "theirs")
    ip("link", "set", "theirs", "up")
    ip("route", "add", "blackhole", network)
    for address in live:
        ip("address", "add", f"{address}/32", "dev", "lo")
    serve(live)
    os.write(ready, b"1")
    time.sleep(300)


@contextlib.contextmanager
def networks(network: str, live: list[str], folder: Path) -> Iterator[Path]:
    """Both namespaces until the block ends; yields a scope file for the network."""
    ready, told = os.pipe()
    go, tell = os.pipe()
    child = os.fork()
    if not child:
        try:
            other_side(network, live, told, go)
        finally:
            os._exit(1)
    try:
        os.read(ready, 1)
        ip("link", "set", "lo", "up")
        ip(
            "link",
            "add",
            "ours",
            "type",
            "veth",
            "peer",
            "name",
            "theirs",
            "address",
            THEIR_LINK,
            "netns",
            str(child),
        )
        ip("address", "add", f"{OURS}/30", "dev", "ours")
        ip("link", "set", "ours", "up")
        ip("route", "add", network, "via", THEIRS)
        os.write(tell, b"1")
        os.read(ready, 1)
        scope = folder / "scope.yaml"
        scope.write_text(
            "scope: hardenprobe.scope/1\nname: silent\nauthorised_by: the test itself\n"
            f"networks:\n  - {network}\nuntil: 2099-12-31\ntranslated: false\n"
            "gentleness: {connections_per_second: 1000}\n"
        )
        yield scope
    finally:
        os.kill(child, 9)
        os.waitpid(child, 0)


def main(network: str, store: str, live: list[str]) -> None:
    review = Path(store).with_name("review.json")
    with networks(network, live, Path(store).parent) as scope:
        began = time.monotonic()
        cli.run(
            [
                "scan",
                network,
                "--scope",
                str(scope),
                "--store",
                store,
                "--ports",
                "21,80,443",
                "--json",
                str(review),
            ]
        )
        print(json.dumps({"seconds": time.monotonic() - began, "review": json.loads(review.read_text())}))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], sys.argv[3:])
