"""A device's way: what the ledger holds of it, and which device of a later review it is."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.decisions import device_register
from hardenprobe.decisions.device_register import ACCEPTED, RETIRED, LifecycleEvent, Marks, Register
from hardenprobe.decisions.entry import Entry
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.errors import StoreRefused
from hardenprobe.facts import NotMet
from hardenprobe.judging.review import judged as judge_again
from hardenprobe.judging.review import renewed
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model import Device, Identity, RetiredSeen, Review
from hardenprobe.plugins.registry import Registry
from hardenprobe.testing import declared, sample_review

SERIAL, OTHER, KEY = ("serial", "QM40-1"), ("serial", "QM40-2"), ("host-key", "ab" * 32)
FLEET = sample_review(3)
FIRST, SECOND, _ = FLEET.devices


def turn(number: int, kind: str = RETIRED, device: str = "dev-1", marks: Marks = (SERIAL,)) -> LifecycleEvent:
    return LifecycleEvent(
        id=f"{'R' if kind == RETIRED else 'A'}-{number}",
        number=number,
        kind=kind,
        on="2026-03-10",
        device=device,
        label="HO-0101",
        marks=marks,
        body={},
    )


def entry(kind: str, **body: Any) -> Entry:
    return Entry(
        number=3, at="2026-03-10T09:00:00.000Z", kind=kind, subject="R-1", operator="", body=body, digest="",
        previous_digest=None,
    )  # fmt: skip


def test_a_turn_is_read_from_its_entry_and_others_are_left_alone() -> None:
    body = {"device": "dev-1", "label": "HO-0101", "marks": [["serial", "QM40-1"]], "more": 1}
    (one,) = device_register.read([entry("exception"), entry(RETIRED, **body), entry("retirement-end")])
    assert (one.id, one.number, one.on, one.device, one.marks) == ("R-1", 3, "2026-03-10", "dev-1", (SERIAL,))
    with pytest.raises(StoreRefused, match="another version"):
        device_register.read([entry(RETIRED, device="dev-1", label="x")])


@pytest.mark.parametrize(
    ("device", "marks", "found", "by"),
    [
        pytest.param("dev-1", (), "R-1", "id", id="an id alone"),
        pytest.param("dev-9", (SERIAL,), "R-1", "serial", id="another id, the same serial"),
        pytest.param("dev-1", (SERIAL,), "R-1", "serial", id="both"),
        pytest.param("dev-1", (OTHER,), None, "", id="the same id, and another serial"),
        pytest.param("dev-9", (OTHER, KEY), None, "", id="a shared key, and another serial"),
        pytest.param("dev-9", (KEY,), "R-1", "host-key", id="a key, and no serial"),
        pytest.param("dev-9", (("asset-tag", "HO-1"), OTHER), None, "", id="its tag on another device"),
        pytest.param("dev-9", (("serial", ""),), None, "", id="nothing shared"),
    ],
)
def test_who_a_retired_device_is(device: str, marks: Marks, found: str | None, by: str) -> None:
    known = Register([turn(1, marks=(SERIAL, ("asset-tag", "HO-1"), KEY))]).of([device], marks)
    assert (known and known[0].id, known[1] if known else "") == (found, by)


def test_the_last_turn_counts() -> None:
    turns = [turn(1, ACCEPTED), turn(2, RETIRED), turn(3, ACCEPTED, device="dev-7")]
    assert [Register(turns[:n]).of(["dev-1"], (SERIAL,))[0].id for n in (1, 2, 3)] == ["A-1", "R-2", "A-3"]  # type: ignore[index]
    successor = turn(4, ACCEPTED, marks=(OTHER, ("asset-tag", "HO-1")))
    first = turn(1, RETIRED, marks=(SERIAL, ("asset-tag", "HO-1")))
    here = Register([first, successor])
    assert here.of("x", (SERIAL,))[0].id == "R-1", "the old device came back"  # type: ignore[index]
    assert here.of("x", (OTHER, ("asset-tag", "HO-1")))[0].id == "A-4", "its tag is another's now"  # type: ignore[index]


marks_of = st.lists(
    st.tuples(st.sampled_from(device_register.TELLING), st.sampled_from("abcd")), unique=True, max_size=5
).map(tuple)


@given(st.lists(marks_of, min_size=1, max_size=5))
def test_own_marks_are_strong_or_nobody_elses(fleet: list[Marks]) -> None:
    for at, mine in enumerate(fleet):
        kept = device_register.own(mine, fleet)
        others = {mark for n, one in enumerate(fleet) if n != at for mark in one}
        assert set(kept) == {m for m in mine if m[0] in device_register.STRONG or m not in others}


@given(st.lists(st.tuples(st.sampled_from("xyz"), marks_of), max_size=6), st.sampled_from("xyz"), marks_of)
def test_whoever_is_found_shares_something_and_has_no_other_serial(
    known: list[tuple[str, Marks]], device: str, marks: Marks
) -> None:
    turns = [turn(n, device=id, marks=theirs) for n, (id, theirs) in enumerate(known, 1)]
    found = Register(turns).of([device], marks)
    fit = [
        t
        for t in turns
        if (t.device == device or set(marks) & set(t.marks)) and not device_register.differ(marks, t.marks)
    ]
    assert (found and found[0]) == (fit[-1] if fit else None)
    if found:
        assert found[1] == "id" or any(kind == found[1] for kind, _ in set(marks) & set(found[0].marks))


def test_telling_leaves_out_what_describes() -> None:
    given_ = [
        Identity(kind=kind, value="v", source="scan", strength="weak")
        for kind in ("name", "tls-key", "host-key", "serial", "title", "address", "asset-tag")
    ]
    assert [kind for kind, _ in device_register.telling(given_)] == ["serial", "asset-tag", "host-key"]


def judged(turns: Iterable[LifecycleEvent], over: Review = FLEET) -> Review:
    from hardenprobe.baseline import baseline
    from hardenprobe.plugins import registry

    checks: Registry = registry.load(plugins=False)
    rules = baseline.load(baseline.DEFAULT, checks)
    return judge_again(
        over,
        JudgingRules(
            baseline=rules, registry=checks, decisions=Decisions(day="2026-03-20", turns=tuple(turns))
        ),
    )


def of(device: Device, number: int, kind: str) -> LifecycleEvent:
    return turn(number, kind, device.id, device_register.telling(device.identity))


def test_coverage_names_the_accepted_and_the_retired_that_answer() -> None:
    found = judged([of(FIRST, 1, ACCEPTED), of(SECOND, 2, ACCEPTED), of(SECOND, 3, RETIRED)])
    coverage = found.coverage
    assert coverage.accepted == (FIRST.id,)
    assert coverage.not_accepted == tuple(d.id for d in FLEET.devices[1:])
    assert coverage.retired_seen == (
        RetiredSeen(
            device=SECOND.id,
            label="HO-0101",
            addresses=tuple(a.address for a in SECOND.addresses),
            retired_on="2026-03-10",
            entry="R-3",
            known_by="serial",
        ),
    )
    assert found.notices[0] == (
        "HO-0101 was retired on 2026-03-10 (R-3), and is seen again at 127.0.0.11, fd00::11, known by its serial"
    )


def test_nothing_is_said_where_nothing_was_ever_decided() -> None:
    coverage = judged([]).coverage
    assert (coverage.accepted, coverage.not_accepted, coverage.retired_seen) == ((), (), ())
    assert judged([of(FIRST, 1, RETIRED)]).coverage.not_accepted == (), "no acceptance in the store"


def test_a_retired_device_that_is_listed_and_not_met_is_no_sighting() -> None:
    gone = declared(NotMet(asset_tag="HO-0101", addresses=("127.0.0.10",), why="silent", source="i.yaml"))
    over = replace(FLEET, observations={**FLEET.observations, FIRST.id: (gone,)})
    found = judged([of(FIRST, 1, RETIRED)], over)
    assert found.coverage.retired_seen == ()
    assert "still lists it as HO-0101; take it out of the inventory" in found.notices[0]


def test_what_was_said_of_the_ledger_is_not_said_again_after_it_changed() -> None:
    from hardenprobe.plugins import registry

    found = judged([of(FIRST, 1, RETIRED)])
    assert any(device_register.SEEN_AGAIN in one for one in found.notices)
    again = renewed(found, registry.load(plugins=False))
    assert not any(device_register.SEEN_AGAIN in one for one in again.notices)
    assert "The clock of this machine was not proven." in again.notices


def test_of_several_that_bear_a_mark_the_strongest_is_the_retired_one() -> None:
    """A host key that was one device's alone can turn up on its like later."""
    key = Identity(kind="host-key", value=KEY[1], source="ssh", strength="medium")
    both = tuple(replace(d, identity=(*d.identity[:1], key)) for d in (FIRST, replace(SECOND, identity=())))
    both = (both[0], replace(both[1], identity=(key,)))
    retired = turn(1, RETIRED, "dev-old", (*device_register.telling(FIRST.identity), KEY))
    here = Register([retired])
    met = [here.met(d, present=True) for d in both]
    assert [m.known_by for m in met] == ["serial", "host-key"]
    assert [one.device for one in device_register.reconciled(met, [retired])["retired_seen"]] == [FIRST.id]
    assert [one.device for one in device_register.reconciled(met[1:], [retired])["retired_seen"]] == [
        SECOND.id
    ]
