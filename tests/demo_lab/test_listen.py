"""Captured traffic tells what the scan tells that it was captured from: no more, and where both speak the same."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import yaml
from support.captures import capturing, packaged

from hardenprobe.baseline import baseline
from hardenprobe.demo_lab import INVENTORY
from hardenprobe.demo_lab.process import BASELINE
from hardenprobe.demo_lab.scan_lab import order
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.library import listen_and_judge, scan_and_judge
from hardenprobe.listening.run import ListenJob
from hardenprobe.model import Reason, Result, Review, Word
from hardenprobe.plugins import registry

pytestmark = [pytest.mark.slow]

CHOSEN = ("RP-0201", "RP-0202", "RP-0204", "RP-0306", "RP-0601", "RP-0603", "RP-0701", "RP-0801")
# Checks of what is listened for: every finding of the scan is one of the traffic too, on ports that speak in clear.
EQUAL = {
    "basic-auth-in-clear",
    "cleartext-ftp",
    "cleartext-http-management",
    "cleartext-ipp",
    "cleartext-print-lpd",
    "cleartext-print-raw",
    "cleartext-telnet",
    "discovery-mdns",
    "discovery-ssdp",
    "discovery-ws-discovery",
    "login-form-in-clear",
    "smb-signing-not-required",
    "smb1-dialect",
    "snmp-cleartext-version",
    "snmp-default-community-read",
    "tls-certificate-untrusted",
    "tls-deprecated-version",
    "tls-no-forward-secrecy",
    "tls-weak-cipher",
    "tls-weak-key",
}

Key = tuple[str, str, str, int, str | None]


class Both(NamedTuple):
    scanned: Review
    heard: Review
    capture: Path


@pytest.fixture(scope="module")
def both(lab_of: Callable[[Path], Any], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Both]:
    """Some devices of the lab at addresses of their own, scanned while loopback is captured."""
    folder = tmp_path_factory.mktemp("listen")
    network = f"127.77.{200 + os.getpid() % 50}"
    text = INVENTORY.read_text(encoding="utf-8")
    document = yaml.safe_load(text.replace("127.77.0.", f"{network}."))
    document["devices"] = [one for one in document["devices"] if one["asset_tag"] in CHOSEN]
    file = folder / "inventory.yaml"
    file.write_text(yaml.safe_dump(document), encoding="utf-8")
    checks = registry.load(plugins=False)
    with lab_of(file) as lab:
        with capturing(packaged("tcpdump"), folder / "lo.pcap", f"net {network}.0/24"):
            addresses = [address for one in document["devices"] for address in one["addresses"]]
            scanned = asyncio.run(scan_and_judge(*order(lab, addresses)))
        job = ListenJob.prepare(
            [folder / "lo.pcap"],
            "loopback of the lab",
            file,
            baseline=str(BASELINE),
            trust_anchors=[lab.ca_file],
            system_anchors=False,
            registry=checks,
            port_offset=lab.port_offset,
        )
        rules = JudgingRules(baseline=baseline.load(str(BASELINE), checks), registry=checks)
        yield Both(scanned, listen_and_judge(job, rules)[0], folder / "lo.pcap")


def placed(review: Review, *words: Word) -> dict[Key, Result]:
    """Results at places, by check, place and subject."""
    return {
        (r.check, r.endpoint.address, r.endpoint.transport, r.endpoint.port, r.subject): r
        for r in review.results
        if r.endpoint and r.result in words
    }


def test_every_finding_of_traffic_is_one_of_the_scan(both: Both) -> None:
    heard = placed(both.heard, Word.FAIL)
    # Where another check of the scan says more of an open port, that port's own finding is informational.
    scanned = {**placed(both.scanned, Word.FAIL), **placed(both.scanned, Word.INFORMATIONAL)}

    assert {key: one.observed.text for key, one in heard.items() if key not in scanned} == {}
    assert len(heard) > 60


def test_what_is_listened_for_is_found_as_the_scan_finds_it(both: Both) -> None:
    heard = placed(both.heard, Word.FAIL)
    missed = {
        key: one.observed.text
        for key, one in placed(both.scanned, Word.FAIL).items()
        if key[0] in EQUAL and key not in heard
    }

    assert missed == {}
    assert {key[0] for key in heard} >= EQUAL
    for key in heard.keys() & placed(both.scanned, Word.FAIL).keys():
        assert (key, heard[key].severity) == (key, placed(both.scanned, Word.FAIL)[key].severity)


def test_nothing_passes_by_traffic_and_what_was_not_seen_says_so(both: Both) -> None:
    checks = registry.load(plugins=False).checks
    asked = [r for r in both.heard.results if checks[r.check].reach is not None]

    assert not [r for r in asked if r.result is Word.PASS]
    whole = [r for r in asked if r.result is Word.UNKNOWN and not r.observations]
    assert whole and {r.reason for r in whole} == {Reason.NOT_SEEN}
    assert {r.reason for r in asked if r.result is Word.NOTCHECKED} == {Reason.REACH}
    assert both.heard.head.narrowed and both.heard.head.reach == "listen"


def test_nobody_else_is_named_and_the_capture_is_accounted_for(both: Both) -> None:
    capture = both.heard.coverage.captures[0]

    assert {a.address for d in both.heard.devices for a in d.addresses} <= {
        a.address for d in both.scanned.devices for a in d.addresses
    }
    assert (capture.name, capture.place) == ("lo.pcap", "loopback of the lab")
    assert capture.size == both.capture.stat().st_size
    assert capture.packets > 1000 and capture.others >= 1
