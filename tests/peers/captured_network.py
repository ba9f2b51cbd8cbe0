"""A scan that captures, in a network namespace of its own, with tcpdump beside it from first to last.

    unshare --net python captured_network.py FOLDER NETWORK LIVE_ADDRESS...

The scan is interrupted while it sweeps, and goes on. FOLDER then holds what tcpdump captured (outside.pcap), the scan's own
file (scan.pcap), the file as it was in between (half.pcap) and both reviews (half.json, whole.json). Of a further scan,
that captures nothing, it holds what tcpdump captured (headers.pcap) and two reviews, one made without the right to
capture (headers.json, account.json).
"""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from support import silent_network

SCAN = (sys.executable, "-m", "hardenprobe", "scan")


def main(folder: Path, network: str, live: list[str]) -> None:
    with silent_network.networks(network, live, folder) as scope:
        with beside(folder / "outside.pcap"):
            scan_twice(folder, network, scope)
        with beside(folder / "headers.pcap"):
            scan_plainly(folder, live, scope)


@contextmanager
def beside(file: Path) -> Iterator[None]:
    """Tcpdump writes all packets of the link to a file until the block ends."""
    outside = subprocess.Popen(
        ["tcpdump", "-n", "-i", "ours", "-U", "-B", "16384", "-Z", "root", "-w", file, "ip"],
        stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert outside.stderr is not None
    assert any("listening" in text for text in outside.stderr)
    try:
        yield
        time.sleep(0.5)  # what the kernel holds for tcpdump
    finally:
        outside.send_signal(signal.SIGINT)
        outside.communicate(timeout=10)


def scan_plainly(folder: Path, live: list[str], scope: Path) -> None:
    for name, alone in (("headers", ()), ("account", ("setpriv", "--bounding-set", "-net_raw", "--"))):
        words = [*alone, *SCAN, *live[:3], "--scope", scope, "--ports", "21,80,443", "--only", "cleartext-ftp", "--no-plugins",
                 "--store", folder / f"{name}.db", "--json", folder / f"{name}.json"]  # fmt: skip
        assert subprocess.run(words, check=False, timeout=50).returncode in (1, 3)


def scan_twice(folder: Path, network: str, scope: Path) -> None:
    file, store = folder / "scan.pcap", ("--store", folder / "store.db")
    first = subprocess.Popen(
        [*SCAN, network, "--scope", scope, "--ports", "21,80,443", "--only", "cleartext-ftp", "--no-plugins", "--baseline", folder / "hasty.yaml",
         "--capture", file, *store, "--json", folder / "half.json"]
    )  # fmt: skip
    until = time.monotonic() + 20
    while time.monotonic() < until and not (file.exists() and file.stat().st_size > 10_000):
        time.sleep(0.01)
    first.send_signal(signal.SIGINT)
    assert first.wait(30) == 3, first.returncode
    shutil.copy(file, folder / "half.pcap")
    again = [*SCAN, "--resume", "latest", *store, "--json", folder / "whole.json"]
    assert subprocess.run(again, check=False, timeout=50).returncode == 1


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], sys.argv[3:])
