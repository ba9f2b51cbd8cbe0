"""Which baseline judges which device: by kind, network, tag and what the device calls itself; and what that asks for."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.baseline import baseline
from hardenprobe.baseline.selection import Choice, KindMismatches, choose, fits
from hardenprobe.devices import inventory
from hardenprobe.devices.inventory import Inventory
from hardenprobe.errors import FileInvalid, UnknownName, UsageError
from hardenprobe.judging.completeness import FINDING, INCOMPLETE, exit_status
from hardenprobe.judging.review import judged, rejudge
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model import Address, BaselineRule, Coverage, Device, Head, Identity, Reach, Review, Word
from hardenprobe.plugins import registry
from hardenprobe.standards.rule_files import shipped_baselines
from hardenprobe.testing import seen_device, tcp_port

CHECKS = registry.load(plugins=False)
OURS = """\
baseline: "ours/1"
extends: "office-device"
title: "t"
dated: "2026-01-01"
sources: ["s"]
"""
SCANNER = Device(
    id="dev-1",
    addresses=(Address(address="192.0.2.9", family="ipv4"), Address(address="2001:db8::9", family="ipv6")),
    kind="scanner",
    make_model="Document scanner, series S1",
    tags=("public-area",),
    identity=(Identity(kind="title", value="Quay scan console", source="http", strength="weak"),),
)


@pytest.fixture
def ours(tmp_path: Path) -> Any:
    def written(extra: str = "", name: str = "ours") -> str:
        file = tmp_path / f"{name}.yaml"
        file.write_text(OURS.replace("ours/1", f"{name}/1") + extra)
        return str(file)

    return written


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        ({}, True),
        ({"kinds": ("printer", "scanner")}, True),
        ({"kinds": ("printer",)}, False),
        ({"networks": ("192.0.2.0/29", "2001:db8::/64")}, True),
        ({"networks": ("192.0.2.0/29",)}, False),
        ({"tags": ("leased", "public-area")}, True),
        ({"tags": ("leased",)}, False),
        ({"make_model": "SERIES s1"}, True),
        ({"make_model": "scan console"}, True),
        ({"make_model": "series S10"}, False),
        ({"kinds": ("scanner",), "tags": ("leased",)}, False),
        ({"kinds": ("scanner",), "tags": ("public-area",), "make_model": "quay"}, True),
    ],
)
def test_all_conditions_of_a_rule_must_hold(rule: dict[str, Any], expected: bool) -> None:
    assert fits(BaselineRule(baseline="office-device", **rule), SCANNER) is expected


def test_the_first_rule_that_fits_is_taken_and_the_default_is_for_the_rest(ours: Any) -> None:
    rules = (
        BaselineRule(baseline="tls-rfc9325", kinds=("printer",)),
        BaselineRule(baseline="tls-sp800-52r2", kinds=("scanner",)),
        BaselineRule(baseline="tls-rfc9325", tags=("public-area",)),
    )
    choice = choose(rules, CHECKS, ours())
    assert choice.of(SCANNER).name == "tls-sp800-52r2/1"
    assert choice.of(replace(SCANNER, kind="printer")).name == "tls-rfc9325/1"
    assert choice.of(replace(SCANNER, kind="plotter", tags=())).name == "ours/1"
    assert choose((), CHECKS).of(SCANNER).name == "office-device/1"
    assert choose(choice.rules, CHECKS).rules == choice.rules, "what is stored is chosen again the same way"


def test_a_scan_asks_for_what_every_baseline_looks_at_and_as_gently_as_the_gentlest(ours: Any) -> None:
    wide = ours(
        'ports: {tcp: [80, 4711], udp: [161, 4712]}\nhttp_paths: ["/", "/status"]\n'
        'snmp: {default_communities: ["public", "lab"]}\n'
        'web: {ipp: ["/print", "/ipp"]}\ngentleness: {pause: 0.5, connections: 100, seconds: 900.0}\n'
    )
    choice = choose([BaselineRule(baseline=wide, kinds=("scanner",))], CHECKS)
    plain, other = choice.baselines["office-device"], choice.baselines[wide]
    assert set(choice.tcp_ports) == {*plain.tcp_ports, 4711}
    assert set(choice.udp_ports) == {*plain.udp_ports, 4712}
    assert choice.http_paths == ("/", "/status")
    assert choice.communities == ("public", "private", "lab")
    assert choice.web.ipp == ("/ipp/print", "/ipp", "/", "/print")
    assert choice.web.settings_pages == plain.web.settings_pages
    assert (choice.timing.pause, choice.timing.connections, choice.timing.seconds) == (0.5, 100, 300.0)
    assert other.timing.connect == choice.timing.connect


def test_baselines_may_not_add_up_to_a_guessing_of_communities(ours: Any) -> None:
    more = ours('snmp: {default_communities: ["a", "b"]}\n')
    with pytest.raises(UsageError, match="name 4 default communities together, and at most 3"):
        choose([BaselineRule(baseline=more, kinds=("scanner",))], CHECKS)


def test_a_baseline_that_is_not_there_is_said() -> None:
    with pytest.raises(UnknownName, match="did you mean office-device"):
        choose([], CHECKS, "office-devise")


def test_a_baseline_that_is_not_meant_for_a_kind_is_a_notice(ours: Any) -> None:
    choice = choose([], CHECKS, ours('for: ["printer"]\n'))
    devices = [replace(SCANNER, id=f"d{n}", asset_tag=f"S-{n}") for n in range(7)]
    devices += [replace(SCANNER, id="u", kind="unknown"), replace(SCANNER, id="p", kind="printer")]
    told = KindMismatches()
    for device in devices:
        told.add(device, choice.of(device))
    assert told.notices() == [
        "baseline ours/1 is not meant for a scanner, and judges S-0, S-1, S-2, S-3, S-4 and 2 more"
    ]


# ---- in a review


def reviewed(expected: Choice) -> Review:
    seen = seen_device(tcp_port(9100, address="192.0.2.9"))
    devices = tuple(replace(SCANNER, id=kind, kind=kind) for kind in ("scanner", "printer"))
    return judged(Review(
            head=Head(
                id="1", started="2026-03-02T21:00:00Z", finished=None, operator="o", scope="s", reach=Reach.ASK,
                plan_hash="0", selected=tuple(CHECKS.checks),
            ),
            coverage=Coverage(answered=2),
            vantages=(seen.vantage,),
            devices=devices,
            results=(),
            observations={d.id: seen.observations for d in devices},
        ), JudgingRules(baseline=expected, registry=CHECKS, decisions=None))  # fmt: skip


def test_each_device_is_judged_by_its_own_and_the_review_says_by_which(ours: Any) -> None:
    lax = ours("expect: {unexpected-service: {allowed_tcp: [9100]}}\n")
    choice = choose([BaselineRule(baseline=lax, kinds=("scanner",))], CHECKS)
    found = reviewed(choice)
    words = {r.device: r.result for r in found.results if r.check == "unexpected-service"}
    assert words == {"scanner": Word.PASS, "printer": Word.INFORMATIONAL}, (
        "the port is counted as raw printing"
    )
    named = {d.id: d.baseline.name for d in found.devices if d.baseline}
    assert named == {"scanner": "ours/1", "printer": "office-device/1"}
    assert found.head.versions["baseline"] == "ours/1, office-device/1"
    again = rejudge(
        found, JudgingRules(baseline=choose(found.head.baselines, CHECKS), registry=CHECKS, decisions=None)
    )
    assert again.results == found.results
    alone = rejudge(
        found, JudgingRules(baseline=choose((), CHECKS, "office-device"), registry=CHECKS, decisions=None)
    )
    assert {r.result for r in alone.results if r.check == "unexpected-service"} == {Word.INFORMATIONAL}


def test_what_must_be_determined_is_asked_of_each_device_by_its_own(ours: Any) -> None:
    must = ours('must_determine: ["snmp-v3-missing"]\n')
    for kind, status in (("scanner", INCOMPLETE), ("plotter", FINDING)):
        choice = choose([BaselineRule(baseline=must, kinds=(kind,))], CHECKS)
        found = reviewed(choice)
        assert any(r.check == "snmp-v3-missing" and r.result is Word.UNKNOWN for r in found.results)
        assert exit_status(found, choice) == status


def test_a_notice_of_the_old_baseline_ends_with_it(ours: Any) -> None:
    found = reviewed(choose([], CHECKS, ours('for: ["printer"]\n')))
    assert any("is not meant for a scanner" in notice for notice in found.notices)
    assert not rejudge(
        found, JudgingRules(baseline=choose([], CHECKS), registry=CHECKS, decisions=None)
    ).notices


# ---- from an inventory

INVENTORY = """\
inventory: "hardenprobe.inventory/1"
baselines:
  - {baseline: "ours.yaml", kinds: ["scanner"]}
  - {baseline: "tls-rfc9325"}
devices:
  - {asset_tag: "S-1", addresses: ["192.0.2.7"], tags: ["leased"]}
"""


def read(folder: Path, text: str = INVENTORY) -> Inventory:
    file = folder / "inventory.yaml"
    file.write_text(text)
    return inventory.load(file)


def test_rules_of_an_inventory_name_files_beside_it(tmp_path: Path, ours: Any) -> None:
    ours()
    choice = choose(read(tmp_path).baselines, CHECKS, "office-device")
    assert choice.of(SCANNER).name == "ours/1"
    assert choice.of(replace(SCANNER, kind="printer")).name == "tls-rfc9325/1"
    assert set(choice.baselines) == {str(tmp_path / "ours.yaml"), "tls-rfc9325"}


@pytest.mark.parametrize(
    ("change", "line", "says"),
    [
        (('"ours.yaml"', '"none.yaml"'), 3, "there is no baseline 'none.yaml'"),
        (('"tls-rfc9325"', '"tls-rfc9352"'), 4, "did you mean tls-rfc9325?; a file is looked for beside"),
        (('["scanner"]', '["scaner"]'), 3, "there is no kind of device 'scaner'; did you mean scanner?"),
        (("kinds:", "kind:"), 3, "unknown key 'kind'; did you mean 'kinds'?"),
        ((', kinds: ["scanner"]', ""), 3, "this rule fits every device"),
        (("kinds:", 'networks: ["192.0.2.1/24"], kinds:'), 3, "192.0.2.1/24"),
        (
            ("kinds:", 'tags: ["leasd"], kinds:'),
            3,
            "did you mean leased?; give it to a device, or take it out of the rule",
        ),
    ],
)
def test_a_wrong_rule(tmp_path: Path, ours: Any, change: tuple[str, str], line: int, says: str) -> None:
    ours()
    assert change[0] in INVENTORY
    with pytest.raises(FileInvalid) as caught:
        read(tmp_path, INVENTORY.replace(*change, 1))
    assert caught.value.line == line
    assert says in str(caught.value)


def test_a_shipped_baseline_is_called_by_its_name() -> None:
    assert {baseline.load(name, CHECKS).source for name in shipped_baselines()} == set(shipped_baselines())
