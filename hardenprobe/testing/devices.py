"""Devices of the lab made from a few lines, really on the network, and scans of them."""

from __future__ import annotations

import asyncio
import itertools
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from hardenprobe.demo_lab.process import RunningLab, running_lab
from hardenprobe.demo_lab.service import Service, Talk
from hardenprobe.devices.inventory import FORMAT
from hardenprobe.library import scan_and_judge
from hardenprobe.model import Result, Review
from hardenprobe.scanning.request import ScanRequest, pinned

__all__ = ["LabDevice", "Service", "Talk", "lab_device", "results"]

_number = itertools.count(1)


@dataclass(frozen=True, kw_only=True)
class LabDevice:
    """A simulated device that is on the network.

    Attributes:
        address: A loopback address that is not used otherwise.
        lab: Its process.
    """

    asset_tag: str
    address: str
    lab: RunningLab

    def scan(
        self, *only: str, checks_from: Sequence[Path] = (), plugins: bool = False, **more: Any
    ) -> Review:
        """Scan it, with the shipped baseline; other machines are not touched.

        Args:
            only: Ids of checks, all by default.
            checks_from: Folders that bring checks and probes; their code runs in this process.
            plugins: Take those of installed packages too.
            more: Fields of the scan's request.
        """
        request = ScanRequest(
            targets=pinned([self.address]),
            inventory=str(self.lab.inventory),
            trust_anchors=(str(self.lab.ca_file),),
            system_anchors=False,
            port_offset=self.lab.port_offset,
            only=only,
            checks_from=tuple(str(folder) for folder in checks_from),
            plugins=plugins,
            **more,
        )
        return asyncio.run(scan_and_judge(*request.prepare()))


@contextmanager
def lab_device(
    *services: dict[str, Any],
    folder: Path,
    services_from: Sequence[Path] = (),
    asset_tag: str = "T-0001",
    **lab: Any,
) -> Iterator[LabDevice]:
    """Put one simulated device on the network while a block runs: `with lab_device(...) as device:`.

    Args:
        services: As in an inventory: `{"speaks": "telnet"}`, with the other keys of that service.
        folder: Where its inventory is written.
        services_from: Folders that bring services; their code runs in the lab's process.
        lab: Other keys of the `lab:` part, such as `tls`.

    Raises:
        UsageError: The lab cannot start.
    """
    pid = os.getpid()
    address = f"127.{130 + pid // 256 % 50}.{pid % 256}.{next(_number) % 254 + 1}"
    simulated = {"model": "Model T", "services": list(services), **lab}
    device = {"asset_tag": asset_tag, "addresses": [address], "lab": simulated}
    file = folder / f"{asset_tag}.yaml"
    document = {"inventory": FORMAT, "devices": [device]}
    file.write_text(yaml.safe_dump(document), encoding="utf-8")
    with running_lab(file, services_from=services_from) as lab_process:
        yield LabDevice(asset_tag=asset_tag, address=address, lab=lab_process)


def results(found: Review, check: str) -> list[Result]:
    """What a review says of one check. The review of a scan has a row for every check, those that were left out too."""
    return [result for result in found.results if result.check == check]
