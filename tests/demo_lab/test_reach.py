"""The lab again, as far as a scan can go: reach alter and the fleet's own secrets. What is found is the declared truth,
nothing is changed, and no secret is written down anywhere.
"""

from __future__ import annotations

import asyncio
import io
import logging
import socket
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from support.offset import OFFSET
from support.scans import job_and_rules

from hardenprobe.baseline import baseline
from hardenprobe.demo_lab import truth_fleet, truth_snmp
from hardenprobe.demo_lab.declarations import load
from hardenprobe.demo_lab.process import BASELINE, INVENTORY, running_lab
from hardenprobe.demo_lab.scan_lab import BOTH_FAMILIES, FAR, missing_devices, words
from hardenprobe.demo_lab.scan_lab import order as lab_order
from hardenprobe.demo_lab.server import engine_id
from hardenprobe.demo_lab.service_flawed_tls import FlawedTls
from hardenprobe.demo_lab.service_http import Https
from hardenprobe.demo_lab.service_snmp import Snmp
from hardenprobe.devices import credentials, inventory
from hardenprobe.errors import ScopeRefused
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.library import scan_and_judge
from hardenprobe.model import Reach, Review, Word
from hardenprobe.planning import plan, vantage
from hardenprobe.plugins import registry
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.probes.snmp import pdu, response
from hardenprobe.reports import FORMATS
from hardenprobe.scanning.job import ScanJob
from hardenprobe.scope import scope
from hardenprobe.store import opening

TARGETS = ("127.77.0.31", "127.77.0.99-127.77.0.112")
SOURCE = "127.77.1.10"
SECRETS = """
secrets: "hardenprobe.secrets/1"
users:
  - {name: "collector", auth: "SHA-256", auth_password: "lab-reads-only", priv: "AES-128", priv_password: {env: "COLLECTOR_PRIV"}}
  - {name: "old-panel", auth: "MD5", auth_password: "lab-shows-only", priv: "AES-128", priv_password: "lab-keeps-mum"}
communities:
  - {label: "of the fleet", community: "north-quay-9"}
"""
CANARIES = (b"lab-reads-only", b"lab-keeps-quiet", b"lab-shows-only", b"lab-keeps-mum", b"north-quay-9")
PEOPLE = (b"quay.clerk", b"tide.clerk", b"night shift")
CONTACT = b"Lock operations"
GUEST_POLICY = f"""
baseline: "guests/1"
extends: "{BASELINE}"
title: "The lab, with a policy for guests"
dated: "2026-11-30"
sources: ["demo-lab"]
expect:
  segment-reach:
    segments:
      - {{name: "registry", networks: ["{SOURCE}"], forbidden: ["https", "snmp"], needed: ["ipp"]}}
"""
DEVICES = [
    d for d in load(INVENTORY) if int(d.listed.addresses[0].rpartition(".")[2]) in (31, *range(99, 113))
]
FLAWS = {
    "heartbleed": "tls-heartbleed",
    "early-ccs": "tls-early-ccs",
    "padding-oracle": "tls-rsa-padding-oracle",
}
MINE = {
    "snmp-default-community-write", "snmp-known-community-write", "snmp-v3-below-authpriv",
    "snmp-v3-weak-algorithms", "snmp-amplification", "snmp-access-table-readable", "snmp-personal-data", "snmp-shared-engine-id",
    "snmp-notifications-in-clear", "network-port-not-authenticated", "ipv6-exposure",
    "device-bridges-networks", "clock-skew", "firmware-below-floor", "device-not-seen", "device-not-listed",
    "allow-list-locks-out", "allow-list-malformed", "segment-reach",
    "tls-heartbleed", "tls-early-ccs", "tls-rsa-padding-oracle",
}  # fmt: skip


@dataclass
class Far:
    review: Review
    log: str
    contacts: dict[str, bytes]
    raw_bytes: set[int]


def order(
    folder: Path, port_offset: int, ca: Path, reach: Reach, granted: Reach
) -> tuple[ScanJob, JudgingRules]:
    checks = registry.load(plugins=False)
    (folder / "policy.yaml").write_text(GUEST_POLICY)
    (folder / "secrets.yaml").write_text(SECRETS)
    (folder / "secrets.yaml").chmod(0o600)
    expected = baseline.load(str(folder / "policy.yaml"), checks)
    secrets = credentials.load(folder / "secrets.yaml")
    allowed = replace(scope.Scope.loopback(), reach=granted)
    targets = plan.targets(TARGETS)
    return job_and_rules(
        plan=plan.Plan(
            targets=targets,
            tcp_ports=(80, 443, 631, 8080, 9100),
            udp_ports=(161,),
            reach=reach,
            scope=allowed,
            vantages=vantage.points([SOURCE], (), targets, allowed),
            checks=checks.select(sorted(MINE | {"channel-contradiction", "cleartext-http-management"})),
            communities=expected.communities,
            http_paths=expected.http_paths,
            web=expected.web,
            timing=replace(expected.timing, greeting=0.5, pause=0.0),
            port_offset=port_offset,
            secrets=secrets.labels,
        ),
        baseline=expected,
        registry=checks,
        inventory=inventory.load(INVENTORY),
        anchors=TrustAnchors.load([ca], system=False),
        secrets=secrets,
    )


def contact(address: str, port: int, community: bytes) -> bytes:
    """sysContact, asked with a socket of our own."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.settimeout(5)
        sock.sendto(pdu.encode("2c", community, "get", (pdu.SYS_CONTACT,), 7), (address, port))
        binding = response.decode("2c", sock.recv(65535), 7).bindings[0]
    assert binding is not None and binding.octets is not None
    return binding.octets


@pytest.fixture(scope="module")
def far(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Far]:
    folder = tmp_path_factory.mktemp("far")
    heard = io.StringIO()
    handler = logging.StreamHandler(heard)
    logger = logging.getLogger("hardenprobe")
    logger.addHandler(handler)
    addresses = [d.listed.addresses[0] for d in DEVICES]
    offset = 31000  # other labs, which may run at the same time, have the ports of other offsets
    with (
        pytest.MonkeyPatch.context() as patch,
        running_lab(port_offset=offset, addresses=addresses) as lab,
    ):
        patch.setenv("COLLECTOR_PRIV", "lab-keeps-quiet")
        told = order(folder, lab.port_offset, lab.ca_file, Reach.ALTER, Reach.ALTER)
        found = asyncio.run(scan_and_judge(*told))
        port = 161 + lab.port_offset
        contacts = {
            "RP-0901": contact("127.77.0.106", port, b"public"),
            "RP-0905": contact("127.77.0.110", port, b"north-quay-9"),
        }
        raw = set(lab.counters()["raw_print_bytes"].values())
    logger.removeHandler(handler)
    yield Far(found, heard.getvalue(), contacts, raw)


def results(found: Review, check: str) -> set[tuple[str, str | None, str]]:
    tags = {d.id: d.label for d in found.devices}
    return {(tags[r.device], r.subject, str(r.result)) for r in found.results if r.check == check}


@pytest.mark.slow
def test_findings_equal_the_declared_truth(far: Far) -> None:
    truth = set(truth_fleet.found(DEVICES, SOURCE))
    users = [("collector", "SHA-256"), ("old-panel", "MD5")]
    for device in DEVICES:
        for agent in device.services:
            if isinstance(agent, FlawedTls):
                truth |= {
                    (device.listed.asset_tag, FLAWS[flaw], "tcp", agent.port, None) for flaw in agent.flaws
                }
            if isinstance(agent, Https) and device.refusal(agent, SOURCE) is None:
                truth.add((device.listed.asset_tag, "segment-reach", "tcp", 443, None))
            if not isinstance(agent, Snmp):
                continue
            truth.add((device.listed.asset_tag, "segment-reach", "udp", 161, None))
            own = engine_id(device.listed.asset_tag).hex()
            for one in (
                *truth_snmp.strained(agent),
                *truth_snmp.altered(agent),
                *truth_snmp.entrusted(device, agent, users, [("of the fleet", "north-quay-9")], own),
            ):
                truth.add((device.listed.asset_tag, *one))
    tags = {d.id: d.label for d in far.review.devices}
    seen = {
        (
            tags[r.device],
            r.check,
            r.endpoint and r.endpoint.transport,
            r.endpoint and r.endpoint.port,
            r.subject,
        )
        for r in far.review.findings
        if r.check in MINE
    }
    # What a supplied community reads, it reads of confirmed devices only.
    supplied = {one for one in seen if one[0] in ("RP-0904", "RP-0905")}
    assert seen - supplied == {one for one in truth if one[0] not in ("RP-0904", "RP-0905")}
    assert supplied == {one for one in truth if one[0] in ("RP-0904", "RP-0905")}
    assert {check for _, check, *_ in truth} >= MINE - {
        "snmp-shared-engine-id", "device-not-seen", "device-not-listed",
    }  # fmt: skip
    assert not [r for r in far.review.results if r.result is Word.ERROR]


@pytest.mark.slow
def test_the_traps_are_not_findings(far: Far) -> None:
    told = far.review
    assert ("RP-0902", 'community "public"', "pass") in results(told, "snmp-default-community-write")
    # A version 1 agent says noSuchName to a write, which may mean this object alone.
    assert ("RP-0903", 'community "private"', "unknown") in results(told, "snmp-default-community-write")
    assert ("RP-0902", None, "informational") in results(told, "snmp-amplification")
    assert ("RP-0902", None, "pass") in results(told, "snmp-personal-data")
    assert ("RP-0902", None, "pass") in results(told, "device-bridges-networks")
    assert ("RP-0902", "firmware", "pass") in results(told, "firmware-below-floor")
    assert ("RP-0902", "hrSystemDate", "unknown") in results(told, "clock-skew")
    assert ("RP-0904", 'user "collector"', "pass") in results(told, "snmp-v3-below-authpriv")
    assert ("RP-0904", 'user "collector"', "pass") in results(told, "snmp-v3-weak-algorithms")
    assert ("RP-0904", 'community "of the fleet"', "pass") in results(told, "snmp-known-community-write")
    # Its engine id is not the listed one: no secret went there.
    assert ("RP-0906", 'user "old-panel"', "unknown") in results(told, "snmp-v3-below-authpriv")
    assert ("RP-0906", None, "unknown") in results(told, "snmp-known-community-write")
    assert ("RP-0907", "list 2", "pass") in results(told, "allow-list-malformed")
    assert ("RP-0907", None, "pass") in results(told, "segment-reach")
    assert {word for *_, word in results(told, "device-not-seen")} == {"pass"}
    # A print channel on 8080 that the device itself names is not taken for a web server.
    assert ("RP-0902", None, "pass") in results(told, "channel-contradiction")
    assert far.raw_bytes == {0}


@pytest.mark.slow
@pytest.mark.parametrize("check", sorted(FAR))
def test_a_check_has_a_device_that_fails_one_that_passes_and_a_trap(check: str, far: Far) -> None:
    found = registry.load(plugins=False).checks[check]

    assert missing_devices(found, words([far.review])[check], DEVICES) == []


@pytest.mark.slow
def test_nothing_was_changed(far: Far) -> None:
    assert far.contacts == {"RP-0901": CONTACT, "RP-0905": b"Archive"}
    assert "sysContact is written back as it was" in far.log
    assert "reads as before" in far.log


@pytest.mark.slow
def test_no_secret_and_no_person_is_written_down(far: Far, tmp_path: Path) -> None:
    with opening.opened(str(tmp_path / "store.db")) as kept:
        kept.save(far.review)
    places = {file.name: file.read_bytes() for file in tmp_path.iterdir()} | {"log": far.log.encode()}
    for name in ("json", "html", "csv"):
        out = io.BytesIO()
        FORMATS[name](far.review, out)
        places[name] = out.getvalue()
    assert len(places["json"]) > 20_000
    for place, data in places.items():
        for canary in (*CANARIES, *PEOPLE):
            assert canary not in data, (place, canary)
            assert canary.hex().encode() not in data, (place, canary, "as hex")
    # The bytes are there, and starred: the search would have found them.
    assert b"*".hex().encode() * 12 in places["json"]
    assert b"public".hex().encode() in places["json"]


def test_alter_is_refused_unless_the_scope_grants_it(tmp_path: Path) -> None:
    """At plan time, before a packet leaves."""
    allowed = replace(scope.Scope.loopback(), reach=Reach.STRAIN)
    targets = plan.targets(TARGETS)
    wanted = plan.Plan(
        targets=targets,
        tcp_ports=(80,),
        udp_ports=(161,),
        reach=Reach.ALTER,
        scope=allowed,
        vantages=(),
        checks=frozenset(),
        communities=("public",),
        http_paths=("/",),
    )
    with pytest.raises(ScopeRefused, match="reach alter is not granted"):
        plan.check_scope(wanted)
    plan.check_scope(replace(wanted, scope=scope.Scope.loopback()))


ONE_OF_BOTH_FAMILIES = """
inventory: "hardenprobe.inventory/1"
devices:
  - asset_tag: "SIX-1"
    addresses: ["127.77.0.120", "::1"]
    lab:
      model: "Printer, series K2"
      tls: {}
      services:
        - {speaks: "https", answers: "sign-in"}
        - {speaks: "http", answers: "sign-in"}
      allow:
        - {entries: [ENTRIES], services: [SERVICES], by: "close"}
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("entries", "services", "said"),
    [
        # Kept for IPv4, forgotten for IPv6.
        ('"127.77.1.0/24", "::/0"', '"https"', {("fail", 443)}),
        ('"127.77.1.0/24", "2001:db8::/64"', '"https"', {("pass", None)}),
        # A trap: one service is refused over both, and another serves over both.
        ('"127.77.1.0/24", "2001:db8::/64"', '"http"', {("pass", None)}),
    ],
    ids=["fails", "passes", "trap"],
)
def test_a_list_of_one_family_and_its_neighbours(
    entries: str, services: str, said: set[tuple[str, int]], tmp_path: Path
) -> None:
    with socket.socket(socket.AF_INET6, socket.SOCK_STREAM) as sock:
        try:
            sock.bind(("::1", 0))
        except OSError:
            pytest.skip("needs IPv6 on loopback")
    text = ONE_OF_BOTH_FAMILIES.replace("ENTRIES", entries).replace("SERVICES", services)
    (tmp_path / "inventory.yaml").write_text(text)
    with running_lab(tmp_path / "inventory.yaml", port_offset=OFFSET) as lab:
        found = asyncio.run(
            scan_and_judge(
                *lab_order(
                    lab,
                    ["127.77.0.120", "::1"],
                    tcp_ports=(80, 443),
                    udp_ports=(),
                    checks=registry.load(plugins=False).select(sorted(BOTH_FAMILIES)),
                )
            )
        )

    assert {
        (str(r.result), r.endpoint and r.endpoint.port) for r in found.results if r.check in BOTH_FAMILIES
    } == said
    assert {r.endpoint.address for r in found.findings if r.endpoint} <= {"::1"}
