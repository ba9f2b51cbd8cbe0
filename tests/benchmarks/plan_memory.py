"""Peak memory of planning and sweeping a /16, and of a /12 plan beside it.

    python tests/benchmarks/plan_memory.py [--under 150] [--more-at-most 1.1]

Each side is a process of its own with everything loaded that a scan loads. It plans, draws up every address in the order
of visits, and sweeps the first 65,536 of them on loopback; only the width of the plan differs.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import resource
import subprocess
import sys
from collections.abc import Iterator

from hardenprobe.model import State
from hardenprobe.model.visit import SilentAddresses
from hardenprobe.network import audit_hook
from hardenprobe.network.rate_limit import Rate
from hardenprobe.planning import plan
from hardenprobe.planning.visit_order import VisitOrder
from hardenprobe.scanning.run import run as run_scan
from hardenprobe.scanning.sweep import Pace, sweep
from hardenprobe.scope import scope

PLANS = {"16": "127.96.0.0/16", "12": "127.96.0.0/12"}
SWEPT = 65536


def peak(target: str) -> float:
    """Megabytes that this process took at most."""
    assert run_scan  # everything that a scan needs is loaded
    allowed = scope.Scope.loopback()
    wanted = plan.AddressSet.of(f"{t.first}-{t.last}" for t in plan.targets([target]))
    order, quiet = VisitOrder(wanted, 7), SilentAddresses()

    async def run() -> int:
        positions: dict[str, int] = {}

        def drawn() -> Iterator[str]:
            for position, address in itertools.islice(order.walk(), SWEPT):
                positions[address] = position
                yield address

        told = 0
        async for touch in sweep(drawn(), allowed, ports=(443,), snmp=False, pace=Pace(rate=Rate(None))):
            told += touch.state is State.REFUSING
            quiet.note("here", positions.pop(touch.address), "refused")
        return told

    with audit_hook.watching():
        assert asyncio.run(run()) == min(SWEPT, len(order))
    assert sum(1 for _ in order) == len(order)
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument(
        "--under", type=float, default=float("inf"), help="exit 1 if the /16 takes as many MB"
    )
    parser.add_argument("--more-at-most", type=float, default=float("inf"), help="exit 1 above this ratio")
    parser.add_argument("--side", choices=PLANS)
    options = parser.parse_args()
    if options.side:
        print(peak(PLANS[options.side]))
        return 0
    small, large = (
        float(
            subprocess.run(
                [sys.executable, __file__, "--side", side], check=True, capture_output=True, text=True
            ).stdout
        )
        for side in PLANS
    )
    print(f"peak of a /16 {small:.1f} MB, of a /12 {large:.1f} MB")
    print(f"ratio {large / small:.2f} (/16 {small:.1f} MB, /12 {large:.1f} MB)")
    return int(small >= options.under or large / small > options.more_at_most)


if __name__ == "__main__":
    sys.exit(main())
