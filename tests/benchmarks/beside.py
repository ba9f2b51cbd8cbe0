"""Two sides of a benchmark, each measurement in a process of its own; they alternate, and the best of each side counts."""

from __future__ import annotations

import argparse
import subprocess
import sys
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, nullcontext


def compare(
    script: str,
    sides: Mapping[str, Callable[[], float]],
    addresses: int,
    repetitions: int,
    meanwhile: Callable[[], AbstractContextManager[object]] = nullcontext,
    words: tuple[str, str] = ("addresses", "first touch"),
) -> int:
    """Run one side where the command line names it, else both; print the figures and the ratio, return the exit status.

    Args:
        script: The benchmark's own file.
        sides: "bare" and "ours", each returning seconds; others are only run by name.
        meanwhile: Held open while both sides are measured.
        words: What is counted, and what our side is called.
    """
    parser = argparse.ArgumentParser()
    parser.add_argument("--at-least", type=float, default=0.0, help="exit 1 below this ratio")
    parser.add_argument("--side", choices=sides)
    options = parser.parse_args()
    if options.side:
        print(sides[options.side]())
        return 0
    rates = {"bare": 0.0, "ours": 0.0}
    with meanwhile():
        for _ in range(repetitions):
            for side, best in rates.items():
                rates[side] = max(best, addresses / _measured(script, side))
    ratio = rates["ours"] / rates["bare"]
    what, ours = words
    print(f"bare loop {rates['bare']:,.0f} {what}/s, {ours} {rates['ours']:,.0f} {what}/s")
    print(f"ratio {ratio:.2f} (floor {rates['bare']:.0f}/s, ours {rates['ours']:.0f}/s)")
    return int(ratio < options.at_least)


def _measured(script: str, side: str) -> float:
    command = [sys.executable, script, "--side", side]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
