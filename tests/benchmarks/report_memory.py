"""Peak memory and time of each report at 1,000 and at 10,000 devices, and the size of its file.

    python tests/benchmarks/report_memory.py [--devices 1000 10000] [--formats html csv ...] [--page-under 5.0] [--grows-at-most 150]

The lab is scanned once, and its devices are stored as many times as it takes, each under a name, addresses, keys and digests
of its own. Every report is made by a process of its own as `hardenprobe report` makes it; its peak (VmHWM of
proc(5)) is told in MiB. A report's memory may grow with a few kilobytes for each device, never with what the devices showed.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from ipaddress import ip_address
from pathlib import Path

from hardenprobe.model import Advice
from hardenprobe.model import document as codec
from hardenprobe.model.rows import Part
from hardenprobe.reports import FORMATS
from hardenprobe.reports.source import of_store
from hardenprobe.store import opening
from hardenprobe.store.device_rows import head_of

OWN = re.compile(r'"(?:[0-9a-f]{24}|[0-9a-f]{64}|dev-[0-9a-z]+)"')
ADDRESS = re.compile(r'"127\.77\.(\d+)\.(\d+)"')


def fill(lab: Path, url: Path, devices: int) -> None:
    """Store the lab's devices again and again."""
    with opening.opened(str(lab)) as known, opening.opened(str(url)) as kept:
        name = known.find("latest")
        templates = list(known.parts(name))

        def parts() -> Iterator[Part]:
            for number in range(devices):
                yield another(templates[number % len(templates)], number)

        outline = known.outline(name)
        clones = {
            part.device: [f"{part.device}-{n}" for n in range(first, devices, len(templates))]
            for first, part in enumerate(templates)
        }
        advice = tuple(grown(one, clones) for one in outline.what_first)
        head = replace(outline.head, id=f"fleet-{devices}")
        document = codec.to_document(replace(outline, head=head, what_first=advice))
        kept.save_parts(head.id, parts(), lambda: head_of(document))


def grown(advice: Advice, clones: dict[str, list[str]]) -> Advice:
    devices = tuple(clone for device in advice.devices for clone in clones[device])
    findings = tuple(own(f, n) for f in advice.findings for n in range(len(devices) // len(advice.devices)))
    return replace(advice, devices=devices, findings=findings)


def own(old: str, number: int) -> str:
    return hashlib.sha256(f"{old} {number}".encode()).hexdigest()[: len(old)]


def another(part: Part, number: int) -> Part:
    """The same device once more: its ids, digests, keys and addresses are its own."""

    def renamed(found: re.Match[str]) -> str:
        old = found.group()[1:-1]
        return f'"{old}-{number}"' if old.startswith("dev-") else f'"{own(old, number)}"'

    def moved(found: re.Match[str]) -> str:
        return f'"{ip_address("10.0.0.0") + (number // 200) * 256 + number % 200 + 1}"'

    def text(kept: str) -> str:
        return ADDRESS.sub(moved, OWN.sub(renamed, kept))

    return Part(
        device=f"{part.device}-{number}",
        record=text(part.record),
        observations=text(part.observations),
        results=text(part.results),
    )


def report(kind: str, url: str, file: str) -> None:
    began = time.perf_counter()
    with opening.opened(url) as kept, Path(file).open("wb") as out:
        FORMATS[kind](of_store(kept, "latest"), out)
    seconds = time.perf_counter() - began
    # Not ru_maxrss: that begins with the peak of the process that started this one.
    (peak,) = re.findall(r"^VmHWM:\s+(\d+) kB$", Path("/proc/self/status").read_text(), re.MULTILINE)
    print(seconds, int(peak) / 1024)


def measured(kind: str, url: Path) -> tuple[float, float, float]:
    """Seconds, MiB of memory, and MB of the file."""
    file = url.with_suffix(f".{kind}")
    done = subprocess.run(
        [sys.executable, __file__, "--one", kind, "--store", str(url), "--file", str(file)],
        capture_output=True,
        check=True,
        text=True,
    )
    seconds, peak = done.stdout.split()
    return float(seconds), float(peak), file.stat().st_size / 1e6


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    asked.add_argument("--devices", type=int, nargs=2, default=[1000, 10000])
    asked.add_argument("--formats", nargs="+", default=list(FORMATS), choices=list(FORMATS))
    asked.add_argument("--page-under", type=float, help="End with 1 where the smaller page has as many MB.")
    asked.add_argument(
        "--grows-at-most",
        type=float,
        help="End with 1 where a report takes so many MiB more of the larger fleet.",
    )
    asked.add_argument("--lab", type=Path, help="A store with a review of the lab, instead of scanning it.")
    asked.add_argument("--one", choices=list(FORMATS), help=argparse.SUPPRESS)
    asked.add_argument("--store", help=argparse.SUPPRESS)
    asked.add_argument("--file", help=argparse.SUPPRESS)
    wanted = asked.parse_args()
    if wanted.one:
        report(wanted.one, wanted.store, wanted.file)
        return 0
    status = 0
    few, many = wanted.devices
    with tempfile.TemporaryDirectory() as folder:
        lab = wanted.lab
        if lab is None:
            demo = [sys.executable, "-m", "hardenprobe", "demo", "-o", folder]
            subprocess.run(demo, capture_output=True, check=False)
            lab = Path(folder) / "store.db"
        stores = {number: Path(folder) / f"{number}.db" for number in (few, many)}
        for number, url in stores.items():
            fill(lab, url, number)
        for kind in wanted.formats:
            peaks = {}
            for number, url in stores.items():
                seconds, peaks[number], size = measured(kind, url)
                line = {"format": kind, "devices": number, "s": round(seconds, 1), "MiB": round(peaks[number]), "file_MB": round(size, 2)}  # fmt: skip
                print(json.dumps(line), flush=True)
                if kind == "html" and number == few and wanted.page_under and size >= wanted.page_under:
                    status = 1
            if wanted.grows_at_most and peaks[many] - peaks[few] > wanted.grows_at_most:
                status = 1
    return status


if __name__ == "__main__":
    sys.exit(main())
