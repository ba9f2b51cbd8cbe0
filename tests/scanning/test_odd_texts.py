"""Devices that are in order but for their texts: none of what they write crashes a probe, a check, the store or a report."""

from __future__ import annotations

import asyncio
import io
import json
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from hardenprobe.demo_lab.process import running_lab
from hardenprobe.demo_lab.service_odd_texts import TEXTS
from hardenprobe.devices.inventory import FORMAT
from hardenprobe.facts import ProbeFault
from hardenprobe.library import scan_and_judge
from hardenprobe.model import Reason, Review, Word
from hardenprobe.model.document import from_document, to_document
from hardenprobe.reports import FORMATS
from hardenprobe.scanning.request import ScanRequest, pinned
from hardenprobe.store.opening import opened

pytestmark = pytest.mark.slow

TCP = [("ftp", 21), ("ssh", 22), ("telnet", 23), ("http", 80), ("rfb", 5900), ("http", 8080)]
UDP = [("dns", 5353), ("dns", 5355), ("ssdp", 1900), ("ws-discovery", 3702), ("ntp", 123), ("tftp", 69), ("netbios", 137), ("slp", 427)]  # fmt: skip
QUICK = "connect: 0.5, greeting: 0.2, reply: 1.0, pause: 0.0"


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Review]:
    folder = tmp_path_factory.mktemp("odd")
    pid = os.getpid()
    devices = [
        {
            "asset_tag": text,
            "kind": "printer",
            "addresses": [f"127.{61 + pid // 256 % 50}.{pid % 256}.{number}"],
            "lab": {
                "model": "Model T",
                "services": [
                    *({"speaks": "odd-texts", "protocol": p, "port": port, "text": text} for p, port in TCP),
                    *(
                        {"speaks": "odd-datagrams", "protocol": p, "port": port, "text": text}
                        for p, port in UDP
                    ),
                    {"speaks": "odd-snmp", "versions": ["2c"], "communities": ["public"], "text": text},
                    {"speaks": "odd-ipp", "text": text},
                ],
            },
        }
        for number, text in enumerate(TEXTS, 1)
    ]
    (folder / "devices.yaml").write_text(yaml.safe_dump({"inventory": FORMAT, "devices": devices}))
    (folder / "quick.yaml").write_text(
        f'baseline: "quick/1"\nextends: "office-device"\ngentleness: {{{QUICK}}}\n'
    )
    with running_lab(folder / "devices.yaml") as lab:
        request = ScanRequest(
            targets=pinned([device["addresses"][0] for device in devices]),
            inventory=str(folder / "devices.yaml"),
            baseline=str(folder / "quick.yaml"),
            system_anchors=False,
            port_offset=lab.port_offset,
            plugins=False,
        )
        yield asyncio.run(scan_and_judge(*request.prepare()))


def test_nothing_is_an_error_and_what_is_there_is_found(found: Review) -> None:
    assert {device.asset_tag for device in found.devices} == set(TEXTS)
    assert [(r.device, r.check, r.observed.text) for r in found.results if r.result is Word.ERROR] == []
    faults = [
        o.facts for seen in found.observations.values() for o in seen if isinstance(o.facts, ProbeFault)
    ]
    assert [one for one in faults if one.reason == Reason.CRASHED] == []
    failed = {(r.device, r.check) for r in found.findings}
    for device in found.devices:
        assert (device.id, "cleartext-telnet") in failed, device.asset_tag
        assert (device.id, "snmp-default-community-read") in failed, device.asset_tag


def test_each_service_was_understood(found: Review) -> None:
    """The text arrives as facts, so that the tests here reach what is behind the parsers."""
    device = next(d.id for d in found.devices if d.asset_tag == "beyond-ascii")
    told = {o.kind for o in found.observations[device] if r"F\\xc7ound" in str(o.facts)}
    assert told >= {
        "ftp-session", "http-answer", "ipp-printer", "llmnr-answer", "mdns-answer", "netbios-answer", "ntp-control-answer",
        "rfb-security", "slp-answer", "snmp-answer", "snmp-objects", "ssdp-answer", "ssh-identification", "telnet-greeting",
    }  # fmt: skip


def test_it_can_be_stored_and_read_back(found: Review, tmp_path: Path) -> None:
    assert from_document(json.loads(json.dumps(to_document(found)))) == found
    with opened(str(tmp_path / "store.db")) as store:
        kept = store.save(found)
        assert store.load(kept.head.id).results == found.results


@pytest.mark.parametrize(
    "name", [name for name in FORMATS if name != "pdf"]
)  # the slowest; the page has the same parts
def test_it_can_be_reported(found: Review, name: str) -> None:
    out = io.BytesIO()
    FORMATS[name](found, out)
    assert len(out.getvalue()) > 1000
    if name != "worksheet":
        out.getvalue().decode()
