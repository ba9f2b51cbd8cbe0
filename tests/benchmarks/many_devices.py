"""One scan of very many simulated devices: peak memory of its processes, size of its store, and seconds, for each device.

    unshare --net sh -c 'ip link set lo up; python tests/benchmarks/many_devices.py [--devices 25000] [--ports 21,23,80] [--keep FOLDER]'

In a network namespace of its own one listener on every address of 127.0.0.0/8 answers for all of them, so that each address
is a device that really speaks FTP, Telnet and HTTP in the clear: the kernel, the sweep, the visits, the judging and the store
work as for 25,000 devices, while what a device shows is less than a whole one does. The bound is 150 MB and 5 kB a device.
`--keep` leaves the store for reports of it.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import subprocess
import sys
import tempfile
import time
from ipaddress import IPv4Address
from pathlib import Path

FIRST = IPv4Address("127.80.0.1")
PORTS = {21: b"220 device ready\r\n", 23: b"\xff\xfb\x01\r\nlogin: ", 80: b""}
PAGE = b"<html><title>Printer</title><form><input type=password></form></html>"
ANSWER = b"HTTP/1.1 200 OK\r\nContent-Length: %d\r\nConnection: close\r\n\r\n%s" % (len(PAGE), PAGE)
BASELINE = """\
baseline: "many/1"
extends: "office-device"
title: "Many devices"
dated: "2026-12-01"
sources: ["the benchmark's own"]
gentleness: {connect: 1.0, greeting: 1.0, reply: 2.0, pause: 0.0, second_try: 0.1, devices_at_once: 32, connections_per_second: 3000}
"""
FREE_MB, EACH_KB = 150, 5


def serve() -> None:
    """Answer on every address, for ever."""

    async def speak(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            if greeting := PORTS[writer.get_extra_info("sockname")[1]]:
                writer.write(greeting)
                while await reader.readline():
                    writer.write(b"331 and the password?\r\n")
            else:
                await reader.readuntil(b"\r\n\r\n")
                writer.write(ANSWER)
                await writer.drain()
        except (OSError, asyncio.IncompleteReadError, asyncio.LimitOverrunError):
            pass
        finally:
            writer.close()

    async def listen() -> None:
        servers = [await asyncio.start_server(speak, "0.0.0.0", port, backlog=4096) for port in PORTS]
        await asyncio.gather(*(server.serve_forever() for server in servers))

    asyncio.run(listen())


def tree(pid: int) -> list[int]:
    """A process and all that came of it."""
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    except OSError:
        return []
    return [pid, *(one for child in children for one in tree(int(child)))]


def memory(pid: int) -> int:
    """Memory of one process that is its own or shared, in kB; 0 when it is gone."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
        return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS"))
    except (OSError, StopIteration):
        return 0


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    asked.add_argument("--devices", type=int, default=25000)
    asked.add_argument(
        "--ports", type=lambda text: [int(one) for one in text.split(",")], default=list(PORTS)
    )
    asked.add_argument("--keep", type=Path)
    wanted = asked.parse_args()
    names = [line.split(":")[0].strip() for line in Path("/proc/self/net/dev").read_text().splitlines()[2:]]
    if names != ["lo"]:
        sys.exit("to be run in a network namespace that has nothing but loopback: see the top of this file")
    server = os.fork()
    if not server:
        serve()
    try:
        with tempfile.TemporaryDirectory() as made:
            folder = wanted.keep or Path(made)
            (folder / "baseline.yaml").write_text(BASELINE)
            store = folder / "store.db"
            command = [
                sys.executable, "-m", "hardenprobe", "scan", f"{FIRST}-{FIRST + wanted.devices - 1}",
                "--baseline", str(folder / "baseline.yaml"), "--ports", ",".join(map(str, wanted.ports)), "--no-plugins",
                "--only", "cleartext-telnet", "--only", "cleartext-ftp", "--only", "cleartext-http-management",
                "--store", str(store),
            ]  # fmt: skip
            began, most, together = time.monotonic(), 0, 0
            with (
                (folder / "said").open("w") as said,
                subprocess.Popen(command, stdout=said, stderr=said) as scan,
            ):
                while scan.poll() is None:
                    each = [memory(one) for one in tree(scan.pid)]
                    most, together = max(most, *each, 0), max(together, sum(each))
                    time.sleep(0.2)
            found = {
                "devices": wanted.devices,
                "status": scan.returncode,
                "s": round(time.monotonic() - began),
                "MB_of_the_largest_process": round(most / 1000),
                "MB_together": round(together / 1000),
                "MB_bound": FREE_MB + EACH_KB * wanted.devices // 1000,
                "store_kB_each": round(store.stat().st_size / 1000 / wanted.devices, 2),
            }
            print(json.dumps(found))
            print((folder / "said").read_text()[-1500:], file=sys.stderr)
    finally:
        os.kill(server, 9)
        os.waitpid(server, 0)
    return int(found["MB_of_the_largest_process"] > found["MB_bound"] or found["status"] != 1)


if __name__ == "__main__":
    sys.exit(main())
