"""Packing and verifying a review of many devices: seconds, and the peak of memory, which should hardly grow with them.

    python tests/benchmarks/evidence.py [--devices 1000] [--few 250]

The lab is scanned once, and its devices with what was seen and said of them are stored as many times as it takes. Each
measurement is a process of its own (ru_maxrss).
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from hardenprobe.evidence import pack, source
from hardenprobe.evidence.source import Wanted
from hardenprobe.evidence.verify import verify
from hardenprobe.model import document
from hardenprobe.model.rows import Part
from hardenprobe.store import opening
from hardenprobe.store.device_rows import head_of


def fill(lab: Path, url: Path, devices: int) -> None:
    """Store the lab's devices again and again, each with an id of its own."""
    with opening.opened(str(lab)) as known, opening.opened(str(url)) as kept:
        name = known.find("latest")
        templates = list(known.parts(name))

        def parts() -> Iterator[Part]:
            for number in range(devices):
                one = templates[number % len(templates)]
                own = f"{one.device}-{number}"
                texts = {
                    key: getattr(one, key).replace(f'"{one.device}"', f'"{own}"')
                    for key in ("record", "observations", "results")
                }
                yield Part(device=own, **texts)

        outline = known.outline(name)
        head = replace(outline.head, id=f"fleet-{devices}")
        kept.save_parts(head.id, parts(), lambda: head_of(document.to_document(replace(outline, head=head))))


def side(name: str, url: Path) -> None:
    """What is measured, in a process of its own."""
    bag = url.with_suffix(".zip")
    began = time.perf_counter()
    if name == "pack":
        with opening.opened(str(url)) as kept:
            packed = source.of(kept, kept.find("latest"))
            pack.pack(packed, Wanted(self_test={}), bag)
    else:
        assert not verify(bag).faults
    seconds = time.perf_counter() - began
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{name:7} {url.stem:6} {seconds:7.1f} s, peak {peak:.0f} MiB, bag {bag.stat().st_size / 2**20:.0f} MiB"
    )


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    asked.add_argument("--devices", type=int, default=1000)
    asked.add_argument("--few", type=int, default=250)
    asked.add_argument("--side", help=argparse.SUPPRESS)
    asked.add_argument("--store", type=Path, help=argparse.SUPPRESS)
    wanted = asked.parse_args()
    if wanted.side:
        side(wanted.side, wanted.store)
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        subprocess.run(
            [sys.executable, "-m", "hardenprobe", "demo", "-o", str(folder / "lab")],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False, env={**os.environ, "COLUMNS": "80"},
        )  # fmt: skip
        for label, devices in (("few", wanted.few), ("many", wanted.devices)):
            url = folder / f"{label}.db"
            fill(folder / "lab" / "store.db", url, devices)
            for one in ("pack", "verify"):
                command = [sys.executable, __file__, "--side", one, "--store", str(url)]
                subprocess.run(command, check=True)


if __name__ == "__main__":
    main()
