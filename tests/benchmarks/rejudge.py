"""Judging 10,000 stored devices again under another baseline, beside merely decoding their observations in the same run.

    python tests/benchmarks/rejudge.py [--devices 10000] [--few 2000] [--at-most 3.0]

The lab is scanned once, and its devices are stored as many times as it takes, each under a name, keys and serials of
its own. Decoding reads every row, takes its JSON apart and makes records of it, in one process; judging again does that,
compares the devices, asks every check, and stores the results with their place in the chain, with a process for each
processor. Each measurement is a process of its own, which also tells the peak of its memory and that of the largest of
its workers (ru_maxrss); they alternate, and the best of each side counts. Memory is measured with the smaller number of
devices, too: it should hardly grow.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from hardenprobe.baseline import selection
from hardenprobe.model import document
from hardenprobe.model.rows import Part
from hardenprobe.plugins import registry
from hardenprobe.store import opening
from hardenprobe.store.device_rows import head_of
from hardenprobe.store.rejudge import rejudge

BASELINE = "tls-sp800-52r2"
REPETITIONS = 3
OWN = re.compile(r'"(?:[0-9a-f]{64}|dev-[0-9a-z]+)"')


def decode(url: str) -> None:
    """What judging cannot do without: every observation as a record."""
    with opening.opened(url) as kept:
        for part in kept.parts(kept.find("latest")):
            document.decode_observations(json.loads(part.observations))


def judge(url: str) -> None:
    """What `hardenprobe judge` does before it shows anything."""
    checks = registry.load(plugins=False)
    with opening.opened(url) as kept:
        rejudge(kept, "latest", lambda _: selection.choose((), checks, BASELINE), checks)


SIDES = {"decode": decode, "judge": judge}


def scanned(folder: Path) -> Path:
    """Scan the lab; the store with its review."""
    subprocess.run(
        [sys.executable, "-m", "hardenprobe", "demo", "-o", str(folder / "lab")],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False, env={**os.environ, "COLUMNS": "80"},
    )  # fmt: skip
    return folder / "lab" / "store.db"


def fill(lab: Path, url: Path, devices: int, *, results: bool = False) -> tuple[int, int]:
    """Store the lab's devices again and again; the number of observations and their bytes."""
    seen = size = 0
    with opening.opened(str(lab)) as known, opening.opened(str(url)) as kept:
        name = known.find("latest")
        templates = list(known.parts(name))

        def parts() -> Iterator[Part]:
            nonlocal seen, size
            for number in range(devices):
                made = another(templates[number % len(templates)], number, results)
                seen += made.observations.count('"asked_at"')
                size += len(made.observations)
                yield made

        outline = known.outline(name)
        head = replace(outline.head, id=f"fleet-{devices}")
        kept.save_parts(head.id, parts(), lambda: head_of(document.to_document(replace(outline, head=head))))
    return seen, size


def another(part: Part, number: int, results: bool) -> Part:
    """The same device once more: ids, keys and digests are its own."""
    device = f"{part.device}-{number}"

    def own(found: re.Match[str]) -> str:
        old = found.group()[1:-1]
        if old.startswith("dev-"):
            return f'"{old}-{number}"'
        return f'"{hashlib.sha256(f"{old} {number}".encode()).hexdigest()}"'

    return Part(
        device=device,
        record=OWN.sub(own, part.record).replace(f'"{part.device}"', f'"{device}"'),
        observations=OWN.sub(own, part.observations).replace(f'"{part.device}"', f'"{device}"'),
        results=part.results.replace(f'"{part.device}"', f'"{device}"') if results else "[]",
    )


def measured(side: str, url: Path) -> tuple[float, float, float]:
    """Seconds, MiB, and MiB of the largest worker of one side, in a process of its own and on a copy of the store."""
    with tempfile.TemporaryDirectory(dir=url.parent) as folder:
        copy = shutil.copy(url, folder)
        done = subprocess.run(
            [sys.executable, __file__, "--side", side, "--store", copy],
            capture_output=True,
            check=True,
            text=True,
        )
    seconds, peak, largest = map(float, done.stdout.split())
    return seconds, peak, largest


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    asked.add_argument("--devices", type=int, default=10000)
    asked.add_argument("--few", type=int, default=2000)
    asked.add_argument(
        "--at-most", type=float, help="End with status 1 where judging takes more times as long."
    )
    asked.add_argument("--side", choices=SIDES, help=argparse.SUPPRESS)
    asked.add_argument("--store", help=argparse.SUPPRESS)
    wanted = asked.parse_args()
    if wanted.side:
        began = time.perf_counter()
        SIDES[wanted.side](wanted.store)
        seconds = time.perf_counter() - began
        peaks = (
            resource.getrusage(who).ru_maxrss / 1024
            for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
        )
        print(seconds, *peaks)
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lab = scanned(folder)
        few, many = folder / "few.db", folder / "many.db"
        fill(lab, few, wanted.few)
        seen, size = fill(lab, many, wanted.devices)
        print(f"{wanted.devices:,} devices, {seen:,} observations, {size / 2**20:,.0f} MiB of JSON")
        best: dict[str, tuple[float, float, float]] = {}
        for _ in range(REPETITIONS):
            for side in SIDES:
                best[side] = min(best.get(side, (float("inf"), 0.0, 0.0)), measured(side, many))
        _, *peaks_few = measured("judge", few)
    (decoding, peak_decoding, _), (judging, *peaks_many) = best["decode"], best["judge"]
    print(f"decoding       {decoding:7.1f} s, peak {peak_decoding:.0f} MiB")
    for count, (peak, largest) in ((wanted.few, peaks_few), (wanted.devices, peaks_many)):
        print(
            f"peak of {count:6,} devices judged again: {peak:.0f} MiB, and {largest:.0f} MiB the largest worker"
        )
    print(f"judging again  {judging:7.1f} s")
    print(f"ratio          {judging / decoding:7.2f}")
    if wanted.at_most and judging / decoding > wanted.at_most:
        sys.exit(f"judging took more than {wanted.at_most} times as long")


if __name__ == "__main__":
    main()
