"""The reports of a bag: those that an auditor reads, and the screen as text."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import TYPE_CHECKING

from hardenprobe.evidence.source import VOLUME, Source
from hardenprobe.judging.counts import Tally
from hardenprobe.reports import FORMATS
from hardenprobe.reports.source import of_pieces

if TYPE_CHECKING:
    from hardenprobe.evidence.bag import Payload
    from hardenprobe.evidence.source import Wanted

WIDTH = 80  # columns; every terminal and every sheet of paper has them
# The JSON document is review.json. The other formats are for whoever changes, builds or watches, or need what not every
# machine has; the review gives them all again.
_KINDS = {"html": "html", "csv": "csv", "oscal": "oscal.json"}


def write(source: Source, wanted: Wanted, bag: Payload) -> None:
    """Write the screen for all devices, and each format in volumes, so that no more than a volume is in memory."""
    screen, devices = _screen(source)
    with bag.file("reports/screen.txt") as out:
        out.write(screen.encode("utf-8", "backslashreplace"))
    for first, held in source.volumes():
        name, outline = "report", source.outline
        if devices > VOLUME:
            last = first + len(held) - 1
            name = f"report-{first:06d}"
            notice = (
                f"this volume holds devices {first} to {last} of {devices}; its counts are of these alone"
            )
            outline = replace(outline, notices=(notice, *outline.notices))
        pieces = [(one.row, one.device, one.results, one.observations) for one in held]
        volume = of_pieces(outline, pieces, source.digest)
        for kind, ending in _KINDS.items():
            with bag.file(f"reports/{name}.{ending}") as out:
                FORMATS[kind](volume, out)


def _screen(source: Source) -> tuple[str, int]:
    """The text, and of how many devices it is."""
    from rich.console import Console

    from hardenprobe.reports import terminal

    tally = Tally()
    devices = []
    for one in source.devices():
        tally.add(one.device.id, one.results)
        devices.append(one.device)
    shown = io.StringIO()
    console = Console(file=shown, width=WIDTH, color_system=None, force_terminal=False, legacy_windows=False)
    terminal.show(replace(source.outline, devices=tuple(devices)), console, tally, details=True)
    return shown.getvalue(), len(devices)
