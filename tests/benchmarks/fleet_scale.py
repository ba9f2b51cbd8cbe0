"""How stored reviews grow with the fleet, on SQLite or PostgreSQL, and what an estate of 200,000 devices at 300 sites needs.

    python tests/benchmarks/fleet_scale.py [--sizes 250 2500 25000] [--database sqlite|postgresql] [--limit]

No device is simulated by sockets: the lab is scanned once, and what was stored of its devices is stored as many times as it
takes, each under a name, keys, findings and serials of its own. Two reviews of each size are inserted, of which the second has
every tenth device without findings; they are listed, compared, and written as a page. Each step is a process of its own.
Seconds are the processor's of that process, without the making of the copies: other work on the machine does not count.
PostgreSQL's server works in processes of its own; what it takes is not in them, and `wall` says what a user waits for.

The model is a line through the first two sizes, for each step and for the bytes of the store; it is held against the third. With
--limit the status is 1 where a step takes more than 1.25 times what the line says of the third, where a store has more than 1.1
times that, or where a step holds more than 1.5 times the memory that the size before needed. The estate is computed from the
same lines, and from what the scan of the lab cost its devices.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

SUITE = Path(__file__).parents[1]
sys.path.insert(0, str(SUITE))

from benchmarks.rejudge import another, scanned
from support import postgres

from hardenprobe.model import Cost, document
from hardenprobe.model.rows import Part
from hardenprobe.scope.limits import Timing
from hardenprobe.store import opening
from hardenprobe.store.device_rows import head_of

STEPS = ("insert", "list", "compare", "report")
IDS = re.compile(r'"([0-9a-f]{24})"')  # of findings and observations
ESTATE, SITES = 200_000, 300
ADDRESSES = 1 << 24  # of a /8
TOUCHES = 5  # of an address that is silent: the first ports of the shipped baseline, and SNMP


@dataclass(frozen=True)
class Measured:
    """One step: processor seconds, seconds that somebody waits, and bytes at the peak of memory."""

    seconds: float
    wall: float
    peak: float


def insert(lab: str, url: str, devices: int) -> float:
    """Store two reviews; the processor seconds that making the copies took, which are not the store's."""
    made = 0.0
    with opening.opened(lab) as known, opening.opened(url) as kept:
        name = known.find("latest")
        templates = list(known.parts(name))

        def parts(second: bool) -> Iterator[Part]:
            nonlocal made
            for number in range(devices):
                began = time.process_time()
                part = another(templates[number % len(templates)], number, results=True)
                seen, said = (IDS.sub(rf'"\g<1>-{number}"', t) for t in (part.observations, part.results))
                if second and number % 10 == 0:
                    said = "[]"
                part = replace(part, observations=seen, results=said)
                made += time.process_time() - began
                yield part

        outline = known.outline(name)
        for id in ("old", "new"):
            head = document.to_document(replace(outline, head=replace(outline.head, id=id)))
            kept.save_parts(id, parts(id == "new"), lambda head=head: head_of(head))  # type: ignore[misc]
    return made


def commands(url: str, page: Path) -> dict[str, list[str]]:
    program = [sys.executable, "-m", "hardenprobe"]
    return {
        "list": [*program, "reviews", "--store", url],
        "compare": [*program, "compare", "old", "new", "--store", url],
        "report": [*program, "report", "new", "--store", url, "--format", "html", "-o", str(page)],
    }


def run(command: list[str], made_aside: bool = False) -> Measured:
    """Run a step and measure it; one that makes copies says at the end what those took."""
    with tempfile.TemporaryFile() as said:
        began = time.perf_counter()
        process = subprocess.Popen(command, stdout=said, stderr=said, env={**os.environ, "COLUMNS": "120"})
        _, status, used = os.wait4(process.pid, 0)
        wall = time.perf_counter() - began
        process.returncode = os.waitstatus_to_exitcode(status)
        said.seek(0)
        text = said.read().decode()
    if process.returncode not in (0, 1, 3):
        raise RuntimeError(f"{' '.join(command[2:5])}: {text[-2000:]}")
    aside = float(text.split()[-1]) if made_aside else 0.0
    return Measured(used.ru_utime + used.ru_stime - aside, wall - aside, used.ru_maxrss * 1024)


@contextlib.contextmanager
def databases(kind: str, folder: Path) -> Iterator[postgres.Server | None]:
    if kind == "sqlite":
        yield None
        return
    with postgres.running() as server:
        yield server


def measure(
    server: postgres.Server | None, lab: str, devices: int, folder: Path
) -> tuple[dict[str, Measured], float]:
    """Each step, and the bytes of the store."""
    file, page = folder / f"{devices}.db", folder / "page.html"
    url = str(file)
    if server:
        server.sql(f"create database fleet{devices}")
        url = server.url(f"fleet{devices}")
    print(f"{devices:,} devices")
    given = {"insert": [sys.executable, __file__, "--insert", lab, url, str(devices)], **commands(url, page)}
    found = {}
    for name, command in given.items():
        found[name] = one = run(command, made_aside=name == "insert")
        print(
            f"  {name:8} {one.seconds:7.1f} s, wall {one.wall:7.1f} s, peak {one.peak / 1e6:4.0f} MB",
            flush=True,
        )
    size = float(server.sql(f"select pg_database_size('fleet{devices}')")) if server else file.stat().st_size
    print(f"  store {size / 1e6:,.0f} MB, page {page.stat().st_size / 1e6:,.1f} MB")
    file.unlink(missing_ok=True)
    if server:
        server.sql(f"drop database fleet{devices}")
    return found, size


def line(at: tuple[int, int], values: tuple[float, float], wanted: int) -> float:
    """What the line through two points says of a third."""
    slope = (values[1] - values[0]) / (at[1] - at[0])
    return values[0] + slope * (wanted - at[0])


def estate(costs: list[Cost], stored: float) -> None:
    """What the estate needs, by the limits that a scan keeps unless a baseline says otherwise."""
    timing, cost, devices = Timing(), sum(costs, Cost()), len(costs)
    asked = (cost.connections + cost.datagrams) / devices
    load = (cost.bytes_sent + cost.bytes_received) / devices
    seconds = cost.seconds / devices
    each = ESTATE / SITES
    print(f"a device costs {asked:.0f} connections and datagrams, {load / 1e3:.0f} kB and {seconds:.1f} s")
    print(f"a review of {ESTATE:,} devices has {stored * ESTATE / 1e9:.1f} GB")
    by_rate = ESTATE * asked / timing.connections_per_second / 3600
    silent = ADDRESSES * TOUCHES / timing.connections_per_second / 3600
    print(f"at {timing.connections_per_second:.0f} a second in all: {by_rate:.1f} h for the devices, {silent:.1f} h at most for the "
          "sweep of a /8")  # fmt: skip
    for visit in (seconds, timing.seconds):
        print(
            f"{SITES} workers, one a site and one device at a time, visits of {visit:.0f} s: {each * visit / 3600:.1f} h"
        )
    share = timing.connections_per_second / SITES
    print(
        f"a segment carries {share * load / asked * 8 / 1e3:.0f} kbit/s while its worker has 1/{SITES} of the rate"
    )


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--sizes", type=int, nargs=3, default=[250, 2500, 25000])
    parser.add_argument("--database", choices=("sqlite", "postgresql"), default="postgresql")
    parser.add_argument("--limit", action="store_true", help="exit 1 above the limits")
    parser.add_argument("--lab", help="a store that holds a scan of the lab already")
    parser.add_argument("--insert", nargs=3, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.insert:
        lab, url, devices = options.insert
        print(insert(lab, url, int(devices)))
        return 0
    with tempfile.TemporaryDirectory() as name, databases(options.database, Path(name)) as server:
        lab = options.lab or str(scanned(Path(name)))
        with opening.opened(lab) as known:
            records = [json.loads(part.record) for part in known.parts(known.find("latest"))]
        points = [measure(server, lab, size, Path(name)) for size in options.sizes]
    first, second, third = options.sizes
    failed = False
    for step in STEPS:
        one, two, three = (found[step] for found, _ in points)
        expected = line((first, second), (one.seconds, two.seconds), third)
        grown = three.peak / two.peak
        print(
            f"{step:8} {three.seconds:7.1f} s of {expected:7.1f} s by the model: {three.seconds / expected:.2f}; memory {grown:.2f}"
        )
        failed |= three.seconds > 1.25 * expected or grown > 1.5
    sizes = [size for _, size in points]
    expected = line((first, second), (sizes[0], sizes[1]), third)
    print(
        f"store    {sizes[2] / 1e6:7,.0f} MB of {expected / 1e6:,.0f} MB by the model: {sizes[2] / expected:.2f}"
    )
    failed |= sizes[2] > 1.1 * expected
    estate([Cost(**one["cost"]) for one in records], sizes[2] / third / 2)
    return int(failed and options.limit)


if __name__ == "__main__":
    sys.exit(main())
