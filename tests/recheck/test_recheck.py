"""hardenprobe.recheck.recheck and what it is made of: what is picked, what is asked for it, and what is said of it afterwards."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml
from support.offset import OFFSET

from hardenprobe.comparison import finding_state
from hardenprobe.demo_lab.process import RunningLab, running_lab
from hardenprobe.devices import matching
from hardenprobe.devices.inventory import FORMAT
from hardenprobe.errors import ScopeRefused, UsageError
from hardenprobe.library import scan_and_judge
from hardenprobe.model import (
    Accepted,
    Address,
    Authorisation,
    Device,
    Endpoint,
    Head,
    Reach,
    Reason,
    Result,
    Review,
    Said,
    State,
    Vantage,
    Word,
)
from hardenprobe.planning.plan import check_scope
from hardenprobe.recheck import outcome, recheck
from hardenprobe.scanning.request import ScanRequest, pinned
from hardenprobe.store import opening, store
from hardenprobe.testing import sample_review, tcp_port

NAME = "20260302-210000-aaaaaa"


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[store.Store]:
    """A store with a review of three invented devices."""
    with opening.opened(str(tmp_path / "store.db")) as db:
        sample = sample_review(3)
        db.save(replace(sample, head=replace(sample.head, id=NAME)))
        yield db


def prepared(kept: store.Store, *findings: str, **more: Any) -> recheck.Recheck:
    wanted = recheck.RecheckRequest(
        review="latest", findings=findings, sources=("127.0.0.1",), plugins=False, **more
    )
    return recheck.prepare(kept, wanted)


def finding(kept: store.Store, check: str) -> Result:
    return next(one for one in kept.load(NAME).findings if one.check == check)


# --- what is picked


def test_without_a_name_all_that_stand_are_picked(kept: store.Store) -> None:
    stands = {one.finding for one in kept.load(NAME).results if one.stands}
    found = {one.finding for one in prepared(kept).again.findings}
    assert found == stands
    assert len(found) > 3


def test_one_with_an_exception_is_picked_by_name_alone(tmp_path: Path) -> None:
    sample = sample_review(2)
    first = sample.findings[0]
    accepted = replace(first, exception=Accepted(id="E-1", until="2999-12-31"))
    results = tuple(accepted if one is first else one for one in sample.results)
    with opening.opened(str(tmp_path / "store.db")) as db:
        db.save(replace(sample, results=results))
        assert first.finding not in {one.finding for one in prepared(db).again.findings}
        assert [one.finding for one in prepared(db, first.finding[:12]).again.findings] == [first.finding]


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("zz", "no finding"),
        ("", "no finding"),
        ("PASSING", "is no finding: cleartext-ftp, pass"),
    ],
)
def test_what_is_no_finding_is_refused(kept: store.Store, name: str, said: str) -> None:
    passing = next(r for r in kept.load(NAME).results if (r.check, r.result) == ("cleartext-ftp", Word.PASS))
    with pytest.raises(UsageError, match=said):
        prepared(kept, name.replace("PASSING", passing.finding))


def test_a_beginning_that_several_share_is_refused(tmp_path: Path) -> None:
    sample = sample_review(1)
    keys = iter(["abc1", "abc2", *map(str, range(9))])
    results = tuple(replace(one, finding=next(keys)) for one in sample.results)
    with (
        opening.opened(str(tmp_path / "store.db")) as db,
        pytest.raises(UsageError, match="2 findings begin with"),
    ):
        db.save(replace(sample, results=results))
        prepared(db, "abc")


def test_a_review_without_findings_has_nothing_to_ask(tmp_path: Path) -> None:
    with (
        opening.opened(str(tmp_path / "store.db")) as db,
        pytest.raises(UsageError, match="nothing to recheck"),
    ):
        db.save(replace(sample_review(1), results=()))
        prepared(db)


def test_a_check_that_is_not_at_hand_is_named(tmp_path: Path) -> None:
    sample = sample_review(1)
    results = (replace(sample.findings[0], check="their-own", origin="their-checks 1.0"),)
    with (
        opening.opened(str(tmp_path / "store.db")) as db,
        pytest.raises(UsageError, match="their-checks 1.0.*--checks-from"),
    ):
        db.save(replace(sample, results=results))
        prepared(db)


# --- what is asked


def test_only_the_port_of_the_finding_is_asked_and_what_tells_the_device_again(kept: store.Store) -> None:
    telnet = finding(kept, "cleartext-telnet")
    (place,) = prepared(kept, telnet.finding).again.places
    assert telnet.endpoint is not None
    assert (place.address, place.udp_ports) == (telnet.endpoint.address, (161,))
    assert 23 in place.tcp_ports
    assert len(place.tcp_ports) <= 2 and not {515, 9100} & set(place.tcp_ports)
    assert "telnet-greeting" in place.kinds and "ipp-jobs" not in place.kinds
    assert ("serial", "QM40-00000") in place.marks


def test_each_address_has_ports_of_its_own(kept: store.Store) -> None:
    telnet, web = finding(kept, "cleartext-telnet"), finding(kept, "cleartext-http-management")
    assert telnet.device != web.device
    plan = prepared(kept, telnet.finding, web.finding).job.plan
    assert telnet.endpoint and web.endpoint
    assert 23 in plan.at(telnet.endpoint.address).tcp_ports
    assert 23 not in plan.at(web.endpoint.address).tcp_ports
    assert 80 in plan.at(web.endpoint.address).tcp_ports
    assert plan.hash != prepared(kept, telnet.finding).job.plan.hash


def test_an_address_outside_the_kept_scope_is_refused(tmp_path: Path) -> None:
    sample = sample_review(1)
    allowed = review_scope(
        networks=("127.0.99.0/24",),
        window="22:00 to 05:00 UTC",
        gentleness={"connections": 7.0, "pause": 1.5},
    )
    with opening.opened(str(tmp_path / "store.db")) as db:
        db.save(replace(sample, head=replace(sample.head, authorisation=allowed)))
        job = prepared(db).job
        with pytest.raises(ScopeRefused, match="outside every network"):
            check_scope(job.plan, now=False)
        assert (job.plan.timing.connections, job.plan.timing.pause) == (7, 1.5)
        assert str(job.plan.scope.window) == "22:00 to 05:00 UTC"
        further = prepared(db, reach="strain").job
        with pytest.raises(ScopeRefused, match="reach strain is not granted"):
            check_scope(further.plan, now=False)


def test_hours_that_cannot_be_read_are_not_taken_for_any_hour(tmp_path: Path) -> None:
    sample = sample_review(1)
    with opening.opened(str(tmp_path / "store.db")) as db:
        allowed = review_scope(window="at night")
        db.save(replace(sample, head=replace(sample.head, authorisation=allowed)))
        with pytest.raises(UsageError, match="cannot be read; give the scope file with --scope"):
            prepared(db)


def review_scope(**more: Any) -> Authorisation:
    allowed = Authorisation(
        file_hash="0" * 64, authorised_by="Head of operations", until=None, networks=("127.0.0.0/8",),
        public=(), excluded=(), leased=(), sources=(), window=None, stop_file=None,
        reach=Reach.ASK, grants=(), gentleness={}, contacts=(), abort=(),
    )  # fmt: skip
    return replace(allowed, **more)


def test_a_source_that_is_not_ours_is_named(kept: store.Store, tmp_path: Path) -> None:
    sample = sample_review(1)
    office = replace(sample.vantages[0], source="192.0.2.77")
    with (
        opening.opened(str(tmp_path / "other.db")) as db,
        pytest.raises(UsageError, match="office, 192.0.2.77"),
    ):
        db.save(replace(sample, vantages=(office, sample.vantages[1])))
        recheck.prepare(db, recheck.RecheckRequest(review="latest", plugins=False))


def test_a_request_survives_the_journal(kept: store.Store) -> None:
    request = prepared(kept).request
    again = ScanRequest.of(json.loads(json.dumps(request.document())))
    assert again.prepare()[0].plan.hash == request.prepare()[0].plan.hash


# --- what is latest


def test_a_recheck_is_never_the_latest(kept: store.Store) -> None:
    scan = kept.load(NAME)
    head: Head = replace(scan.head, id="20260303-210000-cccccc", rechecks=NAME, previous=None)
    kept.save(replace(scan, head=head))
    assert kept.find("latest") == NAME
    assert kept.find("20260303") == head.id
    assert kept.rechecks() == {head.id}
    assert all(one.intact for one in kept.reviews())


def test_a_store_of_rechecks_alone_has_no_latest(tmp_path: Path) -> None:
    sample = sample_review(1)
    with opening.opened(str(tmp_path / "store.db")) as db:
        db.save(replace(sample, head=replace(sample.head, rechecks="gone")))
        with pytest.raises(UsageError, match="nothing but rechecks"):
            db.find("latest")


# --- what is said of it

WHERE = Endpoint(address="127.0.9.10", transport="tcp", port=443)
OLD = "old finding"


def said(word: Word, *, subject: str | None = "TLS 1.0", port: int | None = 443, **more: Any) -> Result:
    where = replace(WHERE, port=port) if port else None
    return Result(
        finding=more.pop("finding", f"{subject} {port}"), device="dev-1", check="tls-deprecated-version",
        check_version="1", origin="hardenprobe", endpoint=where, subject=subject, vantage="office", result=word,
        observed=Said(text="seen"), expected=Said(text="wanted"), **more,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("told_now", "looked", "standing"),
    [
        pytest.param([said(Word.FAIL)], True, "stands", id="found again"),
        pytest.param([said(Word.PASS)], True, "gone", id="passes"),
        pytest.param([said(Word.PASS, subject=None)], True, "gone", id="the port passes"),
        pytest.param([said(Word.PASS, subject=None, port=None)], True, "gone", id="the device passes"),
        pytest.param([said(Word.PASS, subject=None, port=None)], False, "unknown", id="the port was left out"),
        pytest.param([said(Word.UNKNOWN, reason=Reason.SILENT)], True, "unknown", id="silent"),
        pytest.param([said(Word.ERROR)], True, "unknown", id="crashed"),
        pytest.param([said(Word.NOTSELECTED, subject=None, port=None)], True, "unknown", id="not selected"),
        pytest.param([said(Word.INFORMATIONAL)], True, "unknown", id="no verdict"),
        pytest.param([said(Word.NOTAPPLICABLE, subject=None, port=None)], True, "gone", id="service is off"),
        pytest.param([said(Word.NOTAPPLICABLE, subject=None, port=None)], False, "unknown", id="not looked"),
        pytest.param(
            [said(Word.PASS, subject=None), said(Word.UNKNOWN, subject="TLS 1.1")], True, "unknown",
            id="part of it is untold",
        ),
        pytest.param([said(Word.FAIL, subject="TLS 1.1", finding=OLD)], True, "gone", id="another that stood before"),
        pytest.param([said(Word.FAIL, subject="SSL 3.0")], True, "stands", id="another in its place"),
        pytest.param([], True, "unknown", id="nothing is said"),
    ],
)  # fmt: skip
def test_it_is_fixed_only_where_its_place_was_assessed(
    told_now: list[Result], looked: bool, standing: str
) -> None:
    made = finding_state.Conditions(
        at="2026-03-02T21:00:00Z", selected=frozenset({"tls-deprecated-version"}), ports={}, missed={},
        vantages=(Vantage(name="office", source="127.0.0.1"),), unfinished=frozenset(),
    )  # fmt: skip
    device = Device(id="dev-1", addresses=(Address(address=WHERE.address, family="ipv4"),))
    seen = [tcp_port(443, State.REFUSING, address=WHERE.address)] if looked else []
    before = finding_state.evidence(device, [said(Word.FAIL)], [], made)
    here = finding_state.evidence(device, told_now, seen, made)
    one = finding_state.Sighting(before.results["tls-deprecated-version"][0], before)
    word, why, result = outcome.assess(one, here, made, frozenset({OLD}))
    assert word == standing
    assert why
    assert (result is None) == (not told_now)


def test_a_device_is_known_again_by_what_mending_leaves() -> None:
    before = [("serial", "A1"), ("tls-key", "11"), ("name", "printer")]
    assert matching.same(before, [("tls-key", "11")]) is True
    assert matching.same(before, [("serial", "B2"), ("tls-key", "11")]) is False
    assert matching.same(before, [("tls-key", "22")]) is None
    assert matching.same(before, []) is None


# --- the lab

TELNET, FTP, RAW, WEB = ({"speaks": word} for word in ("telnet", "ftp", "raw-print", "http"))
FIRST, SECOND, THIRD = "127.91.0.11", "127.91.0.12", "127.91.0.13"
SERVICES = {FIRST: [TELNET, FTP, RAW, WEB], SECOND: [TELNET, RAW, WEB], THIRD: [TELNET, RAW]}


def lab_file(folder: Path, services: dict[str, list[dict[str, str]]], **serials: str) -> Path:
    """Two printers that are listed, and a third beside them."""
    file = folder / "lab.yaml"
    devices = [
        {
            "asset_tag": f"T-{address.rpartition('.')[2]}",
            "addresses": [address],
            "lab": {"model": "Model T", "services": speaks},
        }
        for address, speaks in services.items()
    ]
    file.write_text(yaml.safe_dump({"inventory": FORMAT, "devices": devices}), encoding="utf-8")
    return file


def scanned(lab: RunningLab, kept: store.Store) -> Review:
    request = ScanRequest(
        targets=pinned([FIRST, SECOND, THIRD]),
        inventory=str(lab.inventory),
        port_offset=OFFSET,
        plugins=False,
    )
    return kept.save(asyncio.run(scan_and_judge(*request.prepare())))


def asked_again(
    kept: store.Store, lab: RunningLab, findings: list[Result], **more: Any
) -> recheck.RecheckOutcome:
    wanted = recheck.RecheckRequest(
        review="latest", findings=tuple(one.finding[:10] for one in findings), plugins=False,
        **{"inventory": str(lab.inventory), **more},
    )  # fmt: skip
    it = recheck.prepare(kept, wanted)
    now = kept.save(asyncio.run(scan_and_judge(it.job, it.rules)))
    return it.compare(now)


@pytest.mark.slow
def test_one_mended_device_is_told_from_the_others_and_nobody_else_is_asked(tmp_path: Path) -> None:
    with opening.opened(str(tmp_path / "store.db")) as kept:
        with running_lab(lab_file(tmp_path, SERVICES), port_offset=OFFSET) as lab:
            old = scanned(lab, kept)
        picked = [
            next(f for f in old.findings if f.check == check and f.endpoint and f.endpoint.address == address)
            for check, address in (("cleartext-telnet", FIRST), ("cleartext-ftp", FIRST), ("cleartext-telnet", SECOND))
        ]  # fmt: skip
        mended = SERVICES | {FIRST: [FTP, RAW, WEB]}
        with running_lab(lab_file(tmp_path, mended), port_offset=OFFSET) as lab:
            out = asked_again(kept, lab, picked)
        assert lab.final is not None
        ports = lab.final["ports"]

        standing = {(one.label, one.check): one.standing for one in out.findings}
        assert standing == {
            ("T-11", "cleartext-telnet"): "gone",
            ("T-11", "cleartext-ftp"): "stands",
            ("T-12", "cleartext-telnet"): "stands",
        }
        gone = next(one for one in out.findings if one.standing == "gone")
        assert gone.after and gone.after.result is Word.PASS and gone.before.received > 0
        # The ports of the findings, and one by which the device is proven alive; no raw print port is even touched.
        assert set(ports) == {f"{FIRST} 21", f"{FIRST} 80", f"{SECOND} 23", f"{SECOND} 80"}
        assert set(lab.final["raw_print_bytes"].values()) == {0}
        for one in out.costs:
            assert one.after and one.after.connections < one.before.connections

        # The recheck is stored under its own name, and misleads nobody.
        newest = kept.reviews()[0].id
        again = kept.load(newest)
        assert (again.head.rechecks, kept.find("latest")) == (old.head.id, old.head.id)
        assert {one.finding for one in again.head.rechecked} == {one.finding for one in picked}
        assert {m.why for m in again.coverage.listed_not_seen} == {"not planned"}
        judged = {r.check for r in again.results if r.result is not Word.NOTSELECTED}
        assert judged == {"cleartext-telnet", "cleartext-ftp"}
        second = {
            r.check
            for r in again.results
            if r.device == picked[2].device and r.result is not Word.NOTSELECTED
        }
        assert second == {"cleartext-telnet"}


def one_device(folder: Path, serial: str, *services: dict[str, Any]) -> Path:
    device = {
        "asset_tag": serial,
        "serial": serial,
        "addresses": [FIRST],
        "lab": {"model": "Model T", "services": list(services)},
    }
    file = folder / f"{serial}.yaml"
    file.write_text(yaml.safe_dump({"inventory": FORMAT, "devices": [device]}), encoding="utf-8")
    return file


IPP = {"speaks": "ipp"}
SNMP = {"speaks": "snmp", "versions": ["1", "2c", "3"], "any_community": True}


@pytest.mark.slow
def test_a_device_is_known_again_without_what_was_mended_and_another_judges_nothing(tmp_path: Path) -> None:
    few = ("cleartext-telnet", "snmp-default-community-read", "cleartext-ipp")
    request = ScanRequest(
        targets=pinned([FIRST]), port_offset=OFFSET, plugins=False, only=few, ports="23,631"
    )
    with opening.opened(str(tmp_path / "store.db")) as kept:
        with running_lab(one_device(tmp_path, "S-100", TELNET, SNMP, IPP), port_offset=OFFSET):
            old = kept.save(asyncio.run(scan_and_judge(*request.prepare())))
        picked = [f for f in old.findings if f.check in few[:2]]
        assert len(picked) == 2
        without = (
            (TELNET, IPP),  # SNMP is off, and the name that it told is gone with it
            None,  # another device
            (),  # nobody
        )
        found = []
        for services in without:
            file = (
                one_device(tmp_path, "S-200", SNMP, IPP)
                if services is None
                else one_device(tmp_path, "S-100", *services)
            )
            with running_lab(file, port_offset=OFFSET) as lab:
                out = asked_again(kept, lab, picked, inventory=None)
                found.append({one.check: (one.standing, one.why) for one in out.findings})
    mended, replaced, away = found
    assert mended["snmp-default-community-read"][0] == "gone"
    assert mended["cleartext-telnet"][0] == "stands"
    assert {word for word, _ in (*replaced.values(), *away.values())} == {"unknown"}
    assert all("another device answers" in why for _, why in replaced.values())
    assert all("no answer" in why for _, why in away.values())
