"""device-not-seen: each branch of its judge, and the judge that asks nothing else of a device that was not met."""

from __future__ import annotations

from ipaddress import ip_address

import pytest

from hardenprobe.baseline import baseline
from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.device_not_seen import CHECK
from hardenprobe.devices.identity import Fleet, settle
from hardenprobe.devices.inventory import Inventory, Listed
from hardenprobe.devices.visit_notes import VisitNotes
from hardenprobe.facts import DeclaredDevice, NotMet
from hardenprobe.facts.snmp import PRT_SERIAL
from hardenprobe.judging.run_checks import Case, run_checks
from hardenprobe.model import UNPROVEN, Coverage, Reach, Vantage, Word
from hardenprobe.model.visit import Visit
from hardenprobe.plugins import registry
from hardenprobe.testing import declared, seen_device, snmp_answer, tcp_port

LISTED = declared(DeclaredDevice(asset_tag="HO-1", device_kind="printer"))


def missed(why: str):  # type: ignore[no-untyped-def]
    return declared(NotMet(asset_tag="HO-1", addresses=("127.0.9.10",), why=why, source="inventory.yaml"))


@pytest.mark.parametrize(
    ("observations", "word"),
    [
        pytest.param([LISTED, missed("silent")], Word.FAIL, id="silent"),
        pytest.param([LISTED, missed("refused every port")], Word.FAIL, id="refused"),
        pytest.param([LISTED, missed("another device answered there")], Word.FAIL, id="somebody else"),
        pytest.param([LISTED, missed("unfinished")], Word.UNKNOWN, id="unfinished"),
        pytest.param([LISTED, tcp_port(80)], Word.PASS, id="met"),
        pytest.param([tcp_port(80)], Word.NOTAPPLICABLE, id="not listed"),
    ],
)
def test_branch(observations, word: Word) -> None:  # type: ignore[no-untyped-def]
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert outcome.word is word


def visit(address: str, outcome: str, *observations) -> Visit:  # type: ignore[no-untyped-def]
    return Visit(address=address, vantage="office", outcome=outcome, observations=observations)


KNOWN = Inventory(
    devices=(
        met := Listed(asset_tag="HO-1", addresses=("127.0.9.10", "127.0.9.11")),
        gone := Listed(asset_tag="HO-2", addresses=("127.0.9.12",), serial="QM-2"),
        far := Listed(asset_tag="HO-3", addresses=("127.0.9.99",)),
    ),
    by_address={"127.0.9.10": met, "127.0.9.11": met, "127.0.9.12": gone, "127.0.9.99": far},
    by_serial={"QM-2": gone},
    source="inventory.yaml",
)


def fleet(*visits: Visit) -> Fleet:
    return settle(VisitNotes.of(visits), KNOWN, {}, Coverage(planned=9))


def test_a_device_that_was_looked_for_in_vain_is_in_the_review_without_services() -> None:
    found = fleet(
        visit("127.0.9.10", "answered", tcp_port(80)),
        visit("127.0.9.11", "silent"),
        visit("127.0.9.12", "silent"),
    )
    assert [(d.asset_tag, bool(d.services)) for d in found.devices] == [("HO-1", True), ("HO-2", False)]
    assert [o.kind for o in found.observations[found.devices[1].id]] == ["declared-device", "not-met"]
    # HO-3 was not part of the plan: nobody has missed it.
    assert [m.why for m in found.coverage.listed_not_seen] == ["silent", "not planned"]


def test_its_id_is_the_one_it_has_when_it_is_met() -> None:
    away = fleet(visit("127.0.9.12", "silent"))
    here = fleet(visit("127.0.9.12", "answered", tcp_port(80, address="127.0.9.12")))
    assert away.devices[0].id == here.devices[0].id


def test_a_device_that_moved_is_met_by_its_serial() -> None:
    stated = snmp_answer(address="127.0.9.50", values={PRT_SERIAL: "QM-2"})
    found = fleet(visit("127.0.9.12", "silent"), visit("127.0.9.50", "answered", stated))
    assert [d.asset_tag for d in found.devices] == ["HO-2"]


def test_a_device_that_was_not_met_gets_no_results_of_what_was_not_asked() -> None:
    checks = registry.load(plugins=False)
    expected = baseline.load(baseline.DEFAULT, checks)
    found = fleet(visit("127.0.9.12", "silent"))
    case = Case(
        devices=found.devices,
        observations=found.observations,
        vantages=(Vantage(name="office", source="127.0.0.1"),),
        clock=UNPROVEN,
        reach=Reach.ASK,
        selected=checks.select(),
    )
    told = run_checks(case, expected, checks)
    assert {r.check: str(r.result) for r in told if r.result is not Word.NOTAPPLICABLE} == {
        "device-not-seen": "fail",
        "device-not-listed": "pass",
    }
    assert all(checks.checks[r.check].reach is None for r in told)
    assert ip_address(found.devices[0].addresses[0].address).is_loopback
