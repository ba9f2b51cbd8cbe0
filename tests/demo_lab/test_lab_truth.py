"""The whole path against the lab: what the scan finds is what the devices are guilty of, no more and no less."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from hardenprobe.demo_lab.declarations import load
from hardenprobe.demo_lab.process import INVENTORY, RunningLab, running_lab
from hardenprobe.demo_lab.scan_lab import BOTH_FAMILIES, FAR, guilts, missing_devices, order, words
from hardenprobe.demo_lab.truth import expected_findings
from hardenprobe.demo_lab.truth_snmp import stray_channels
from hardenprobe.devices import inventory
from hardenprobe.evidence import self_test
from hardenprobe.facts import TlsPort, TlsSuites
from hardenprobe.library import scan_and_judge
from hardenprobe.model import Observation, Reason, Review, Word
from hardenprobe.plugins import registry

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]

APPROVED = ["127.77.1.0/24", "127.77.2.0/28"]
SOURCES = ("127.0.0.1", "127.77.1.10")
TWO_ADDRESSES = {"127.77.0.31", "127.77.0.131"}  # of one device
MOST_CONNECTIONS = 120  # to any one device, all its addresses together
CHECKS = registry.load(plugins=False).checks
DEVICES = load(INVENTORY)


@dataclass(frozen=True)
class Done:
    review: Review
    accepted: Counter[str]  # connections by device, as the lab has counted them
    raw_bytes: set[int]
    lab: RunningLab


@pytest.fixture(scope="module")
def scans() -> Iterator[dict[str, Done]]:
    """One scan from each source."""
    owners = {address: d.listed.asset_tag for d in DEVICES for address in d.listed.addresses}
    done: dict[str, Done] = {}
    with running_lab() as lab:
        before: Counter[str] = Counter()
        for source in SOURCES:
            found = asyncio.run(scan_and_judge(*order(lab, ["127.77.0.0/24"], source)))
            counters, now = lab.counters(), Counter[str]()
            for address, count in counters["connections"].items():
                now[owners[address]] += count
            done[source] = Done(found, now - before, set(counters["raw_print_bytes"].values()), lab)
            before = now
    yield done


@pytest.mark.parametrize("source", SOURCES)
def test_findings_equal_the_declared_truth(source: str, scans: dict[str, Done]) -> None:
    found = scans[source].review

    assert guilts(found) == expected_findings(INVENTORY, source, APPROVED)
    assert not [r for r in found.results if r.result is Word.ERROR]
    # Local metrics, where there are some, follow the check's own.
    assert not [
        r for r in found.findings if not (r.vector or "").startswith(tuple(CHECKS[r.check].vectors.values()))
    ]
    assert not [r for r in found.findings if not r.controls or not r.observations]
    reached = {
        o.facts.reached for seen in found.observations.values() for o in seen if isinstance(o.facts, TlsPort)
    }
    assert reached >= {"implicit", "ftp"}  # AUTH TLS is followed too
    assert {m.asset_tag for m in found.coverage.listed_not_seen} == {
        d.asset_tag for d in inventory.load(INVENTORY).devices if d.lab is None
    }


def test_the_self_test_says_that_all_of_it_was_found(scans: dict[str, Done]) -> None:
    done = scans[self_test.SOURCE]
    made = self_test.of_scan(done.review, done.lab)

    assert [row for row in made["findings"] if row["expected"] != row["found"]] == []
    assert made["agrees"] and made["expected"] == made["found"] > 100


@pytest.mark.parametrize("source", SOURCES)
def test_each_thing_is_said_once(source: str, scans: dict[str, Done]) -> None:
    """Our checks keep what a plug-in's check is held to: one result for a place and a subject."""
    said = Counter((r.finding, r.check, r.vantage) for r in scans[source].review.results)

    assert {one: times for one, times in said.items() if times > 1} == {}


@pytest.mark.parametrize("source", SOURCES)
def test_print_channels_that_disagree_with_the_ports_are_noted(source: str, scans: dict[str, Done]) -> None:
    noted = words([scans[source].review])["channel-contradiction"].get("informational", set())

    assert noted == {d.listed.asset_tag for d in DEVICES if stray_channels(d)}


@pytest.mark.parametrize("source", SOURCES)
def test_no_device_bears_more_than_it_should(source: str, scans: dict[str, Done]) -> None:
    """By our own ledger, which counts what was refused as well, and by the lab's count of what it accepted."""
    done = scans[source]
    ours = {d.asset_tag or d.addresses[0].address: d.cost.connections for d in done.review.devices}

    assert len(ours) > 40
    assert {device: count for device, count in ours.items() if count > MOST_CONNECTIONS} == {}
    assert {device: count for device, count in done.accepted.items() if count > MOST_CONNECTIONS} == {}
    assert sum(done.accepted.values()) > 500
    assert done.raw_bytes == {0}


@pytest.mark.parametrize("source", SOURCES)
def test_the_ceiling_cuts_the_suites_of_a_device_of_two_addresses_and_nothing_else(
    source: str, scans: dict[str, Done]
) -> None:
    found = scans[source].review
    cut = {
        (r.check, r.endpoint.address)
        for r in found.results
        if r.reason is Reason.CEILING and r.endpoint is not None
    }
    whole = {
        one.endpoint.address: not one.facts.unknown_why
        for seen in found.observations.values()
        for one in seen
        if isinstance(one.facts, TlsSuites) and one.endpoint
    }

    late = {address for address, all_known in whole.items() if not all_known and address in TWO_ADDRESSES}
    assert late and {one for one in cut if one[0] != "tls-weak-parameters"} == {
        (check, address) for check in ("tls-no-forward-secrecy", "tls-weak-cipher") for address in late
    }
    # The small curves come after the suites.
    assert {one for one in cut if one[0] == "tls-weak-parameters"} == {
        ("tls-weak-parameters", address) for address in TWO_ADDRESSES
    }


@pytest.mark.parametrize("check", sorted(CHECKS.keys() - FAR - BOTH_FAMILIES))
def test_a_check_has_a_device_that_fails_one_that_passes_and_a_trap(
    check: str, scans: dict[str, Done]
) -> None:
    said = words(done.review for done in scans.values())

    assert missing_devices(CHECKS[check], said[check], DEVICES) == []


@pytest.mark.parametrize("source", SOURCES)
def test_every_finding_has_bytes_or_the_kernels_account_or_a_file(
    source: str, scans: dict[str, Done]
) -> None:
    found = scans[source].review
    seen = {o.id: o for observations in found.observations.values() for o in observations}
    lacking = [
        (result.check, result.endpoint)
        for result in found.findings
        if not any(_proof(seen[id]) for id in result.observations)
    ]

    assert found.findings and not lacking


def _proof(seen: Observation[Any]) -> bool:
    return bool(seen.transcript or seen.sockets or getattr(seen.facts, "source", ""))
