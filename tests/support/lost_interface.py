"""A scan whose interface goes down in mid-scan and comes back, then `--resume`: prints both reviews and exit statuses as JSON.

    unshare --net python lost_interface.py NETWORK STORE LIVE_ADDRESS...

With the interface its routes go, and come back with it, as a network manager puts them (Linux, ip-route(8)).
"""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path

from hardenprobe import cli
from support.silent_network import THEIRS, ip, networks

SENT = 10  # field of /proc/net/dev: packets sent; proc_net(5)
AWAY = 2.0  # seconds


def flap(network: str) -> None:
    """Wait until the scan has sent something, then take the interface down and up."""
    while True:
        lines = Path("/proc/self/net/dev").read_text().splitlines()
        ours = next(line for line in lines if line.strip().startswith("ours:"))
        if int(ours.split()[SENT]) > 20:
            break
        time.sleep(0.01)
    ip("link", "set", "ours", "down")
    time.sleep(AWAY)
    ip("link", "set", "ours", "up")
    ip("route", "add", network, "via", THEIRS)


def main(network: str, store: str, live: list[str]) -> None:
    folder, said = Path(store).parent, []
    with networks(network, live, folder) as scope:
        child = os.fork()  # a scan lets no thread of its process start another
        if not child:
            flap(network)
            os._exit(0)
        first = ["scan", network, "--scope", str(scope), "--ports", "21,80,443"]
        for words in (first, ["scan", "--resume", "latest"]):
            review = folder / f"{len(said)}.json"
            status = cli.run([*words, "--store", store, "--json", str(review)])
            said.append({"status": status, "review": json.loads(review.read_text())})
            if words is first:
                os.waitpid(child, 0)
        print(json.dumps(said))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], sys.argv[3:])
