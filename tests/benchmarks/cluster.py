"""A fleet scanned by the workers of a cluster on this machine, beside the same scan by one process, in one run.

    python tests/benchmarks/cluster.py [--devices 250] [--workers 4] [--at-most 1.0] [--share-at-most 0.05]

Both ask the whole shipped baseline at reach ask, with the same limits; the lab is another process, and so are scheduler and
workers, which are up before the scan begins. Seconds are those of observing, since judging and storing are the same in both.
The coordinator's share is the processor time of the process that sends the shards and takes what comes of them, of the
seconds that the scan takes.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path

SUITE = Path(__file__).parents[1]
sys.path.insert(0, str(SUITE))

from support.cluster import cluster

from hardenprobe.demo_lab import fleet
from hardenprobe.demo_lab.process import running_lab

SCOPE = """\
scope: "hardenprobe.scope/1"
name: "lab"
authorised_by: "whoever started the lab"
networks: ["127.0.0.0/8"]
gentleness: {connections_per_second: 5000.0}
"""
OBSERVE = """
import asyncio, json, resource, sys, time
from hardenprobe.cluster.attach import attached
from hardenprobe.scanning.request import ScanRequest, pinned
from hardenprobe.scanning.run import run
given = json.loads(sys.argv[1])
targets = pinned([given.pop("target")])
request = ScanRequest(targets=targets, **{k: tuple(v) if isinstance(v, list) else v for k, v in given.items()})
job, _ = request.prepare()
job = attached(job, request)
began, worked = time.perf_counter(), time.process_time()
found = asyncio.run(run(job))
print(json.dumps([time.perf_counter() - began, time.process_time() - worked, len(found.devices),
                  sum(map(len, found.observations.values()))]))
"""


def observe(**request: object) -> tuple[float, float, int, int]:
    """Seconds, processor seconds, devices and observations of one scan in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", OBSERVE, json.dumps(request)], check=True, stdout=subprocess.PIPE, text=True
    )
    seconds, worked, devices, observations = json.loads(done.stdout)
    return seconds, worked, devices, observations


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--devices", type=int, default=250)
    parser.add_argument("--workers", type=int, default=4)
    parser.add_argument("--at-most", type=float, default=float("inf"), help="exit 1 above this ratio")
    parser.add_argument("--share-at-most", type=float, default=float("inf"), help="exit 1 above this share")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, running_lab(fleet=options.devices) as lab:
        home = Path(folder) / "cluster"
        (scope := Path(folder) / "scope.yaml").write_text(SCOPE)
        asked = {
            "target": fleet.span(options.devices),
            "inventory": str(lab.inventory),
            "scope": str(scope),
            "trust_anchors": [str(lab.ca_file)],
            "port_offset": lab.port_offset,
        }
        one = observe(**asked)
        print(f"one process {one[0]:.1f} s; {one[2]} devices, {one[3]} observations", flush=True)
        with cluster(home, []) as running:
            from hardenprobe.cluster import certificates

            certificates.make(home, ["lab"], days=1)
            running.start(["lab"] * options.workers, scope)
            many = observe(
                **asked, cluster=running.address, certificates=str(home / "scan"), vantages=["lab"]
            )
    print(f"{options.workers} workers {many[0]:.1f} s; {many[2]} devices, {many[3]} observations")
    ratio, share = many[0] / one[0], many[1] / many[0]
    print(f"ratio {ratio:.2f}; the coordinator's share {share:.1%} ({many[1]:.1f} s)")
    return int(ratio > options.at_most or share > options.share_at_most or many[2] != one[2])


if __name__ == "__main__":
    sys.exit(main())
