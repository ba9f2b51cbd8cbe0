"""A scan during which something fails on our own machine, then `--resume`: prints both reviews and exit statuses as JSON.

    unshare --net python lost_interface.py FAULT NETWORK STORE LIVE_ADDRESS...

With the interface its routes go, and come back with it, as a network manager puts them (Linux, ip-route(8)).
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

from hardenprobe import cli
from support.silent_network import OURS, THEIR_LINK, THEIRS, ip, networks, run

SENT = 10  # field of /proc/net/dev: packets sent; proc_net(5)
AWAY = 2.0  # seconds
# A queue that is shorter than any packet: sendto(2) fails with ENOBUFS where errors are asked for (ip(7), IP_RECVERR).
NO_ROOM = (
    "tc",
    "qdisc",
    "replace",
    "dev",
    "ours",
    "root",
    "tbf",
    "rate",
    "8kbit",
    "burst",
    "2000",
    "limit",
    "20",
)


def down(network: str) -> None:
    ip("link", "set", "ours", "down")


def up(network: str) -> None:
    ip("link", "set", "ours", "up")
    ip("route", "replace", network, "via", THEIRS)


def removed(network: str) -> None:
    ip("address", "del", f"{OURS}/30", "dev", "ours")


def added(network: str) -> None:
    ip("address", "add", f"{OURS}/30", "dev", "ours")
    ip("route", "replace", network, "via", THEIRS)


def no_room(network: str) -> None:
    ip(
        "neighbour", "replace", THEIRS, "lladdr", THEIR_LINK, "dev", "ours"
    )  # for which there is no room either
    run(*NO_ROOM)


FAULTS: dict[str, tuple[Callable[[str], None], Callable[[str], None]]] = {
    "interface": (down, up),
    "address": (removed, added),
    "buffers": (no_room, lambda _: run("tc", "qdisc", "del", "dev", "ours", "root")),
}
"""What fails, and how it is as before."""


def fails_for_a_while(network: str, fault: str) -> None:
    """Wait until the scan has sent something."""
    while True:
        lines = Path("/proc/self/net/dev").read_text().splitlines()
        ours = next(line for line in lines if line.strip().startswith("ours:"))
        if int(ours.split()[SENT]) > 20:
            break
        time.sleep(0.01)
    begins, ends = FAULTS[fault]
    begins(network)
    time.sleep(AWAY)
    ends(network)


def main(fault: str, network: str, store: str, live: list[str]) -> None:
    """`before FAULT`: it is so from the beginning, and until the first scan has ended."""
    folder, said = Path(store).parent, []
    name = fault.removeprefix("before ")
    with networks(network, live, folder) as scope:
        if name != fault:
            FAULTS[name][0](network)
        child = os.fork() if name == fault else 0  # a scan lets no thread of its process start another
        if not child and name == fault:
            fails_for_a_while(network, fault)
            os._exit(0)
        first = ["scan", network, "--scope", str(scope), "--ports", "21,80,443"]
        for words in (first, ["scan", "--resume", "latest"]):
            review = folder / f"{len(said)}.json"
            status = cli.run([*words, "--store", store, "--json", str(review)])
            said.append(
                {"status": status, "review": json.loads(review.read_text()) if review.exists() else None}
            )
            if words is first:
                if child:
                    os.waitpid(child, 0)
                else:
                    FAULTS[name][1](network)
        print(json.dumps(said))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], sys.argv[3], sys.argv[4:])
