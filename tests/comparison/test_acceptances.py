"""Risk acceptances over months: they go along with the device and its places, and end for what was not accepted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from hardenprobe.comparison.acceptances import Covered, covered, state_text
from hardenprobe.decisions import exceptions
from hardenprobe.decisions.exceptions import NOT_IDENTIFIED, ExceptionRequest
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.model import Result
from hardenprobe.plugins import registry
from hardenprobe.store.ledger import Ledger

A, B = "192.0.2.7", "192.0.2.8"
RUNS = {22: "ssh", 23: "telnet"}
CHECKS = registry.load(plugins=False)


@pytest.fixture
def accept(world: Any, office: Any) -> Callable[[str, str], None]:
    """Accept the telnet of a device, as a review found it, for 30 days."""

    def make(review: str, device: str) -> None:
        today = world.now.date()
        request = ExceptionRequest(
            check="cleartext-telnet", device=device, reason="a script", compensating="a filter",
            requested_by="Imke Sandvoort", approved_by="Morag Kerr", until=(today + timedelta(days=30)).isoformat(),
        )  # fmt: skip
        Ledger(world.kept).add([exceptions.draft(request, world.kept.load(review), office, CHECKS, today)])

    return make


def decided(world: Any, day: date | None = None) -> Decisions:
    return Decisions.of(Ledger(world.kept).entries(), (day or world.now.date()).isoformat())


def telnet(world: Any, review: str) -> dict[str, Result]:
    found = [r for r in world.kept.load(review).findings if r.check == "cleartext-telnet"]
    return {r.endpoint.address: r for r in found}


def test_an_acceptance_goes_along_when_the_device_is_listed_and_gets_a_second_address(
    world: Any, accept: Callable[[str, str], None]
) -> None:
    box = world.add("one", A, serial="S-1", runs=RUNS)
    accept(world.scan(), A)
    world.list_device("P-1", A, B)
    box.addresses.append(B)
    box.runs |= {(B, 22): "ssh", (B, 23): "telnet"}
    world.later(1)
    found = telnet(world, world.scan(decisions=decided(world)))
    assert found[A].exception and not found[B].exception


def test_a_device_that_cannot_be_told_apart_is_not_covered(
    world: Any, accept: Callable[[str, str], None]
) -> None:
    box = world.add("one", A, serial="S-1", runs=RUNS, key="aa" * 32)
    accept(world.scan(), A)
    box.snmp = False
    world.later(1)
    known = telnet(world, world.scan(decisions=decided(world)))[A]
    assert known.exception, "its key identifies it"
    box.key = "bb" * 32  # replaced, or renewed: nothing says which
    world.later(1)
    strange = telnet(world, world.scan(decisions=decided(world)))[A]
    assert strange.exception is None and strange.lapsed and strange.lapsed.why == NOT_IDENTIFIED
    (state,) = covered(world.kept, decided(world).exceptions).values()
    assert (state.covers, state.lapsed, state.since) == (0, 1, "2026-01-07T08:00:00Z")


def test_a_name_does_not_tell_a_device_from_its_replacement(
    world: Any, accept: Callable[[str, str], None]
) -> None:
    """People give the name to the replacement, too; where nothing else was ever known, there is nothing to miss."""
    box = world.add("one", A, serial="S-1", called="archive", runs=RUNS)
    world.add("two", B, called="counter", runs=RUNS)
    review = world.scan()
    accept(review, A)
    accept(review, B)
    world.later(1)
    found = telnet(world, world.scan(decisions=decided(world)))
    assert found[A].exception and found[B].exception
    box.serial = None
    world.later(1)
    found = telnet(world, world.scan(decisions=decided(world)))
    assert found[A].lapsed and "cannot be told apart" in found[A].lapsed.why
    assert found[B].exception


def test_what_the_list_says_of_each(world: Any, accept: Callable[[str, str], None]) -> None:
    box = world.add("one", A, serial="S-1", runs=RUNS)
    accept(world.scan(), A)
    world.scan(decisions=decided(world))

    def said(day: str) -> str:
        (one,) = decided(world).exceptions
        return state_text(one, day, covered(world.kept, [one]).get(one.id, Covered()))

    assert said("2026-01-06") == "runs until 2026-02-04, ends within 29 days; covers 1 open finding"
    assert said("2026-01-25") == "runs until 2026-02-04, ends within 10 days; covers 1 open finding"
    assert said("2026-02-05") == "expired on 2026-02-04"
    box.runs[A, 23] = "refuses"
    world.later(1)
    world.scan(decisions=decided(world))
    assert said("2026-01-06") == "runs until 2026-02-04, ends within 29 days; covers nothing that is open"


def test_what_expired_once_stays_expired_whatever_the_clock_says(
    world: Any, accept: Callable[[str, str], None]
) -> None:
    world.add("one", A, serial="S-1", runs=RUNS)
    accept(world.scan(), A)
    (one,) = Ledger(world.kept).decisions().exceptions  # today, which is later than all of this
    assert one.expired
    kinds = [entry.kind for entry in Ledger(world.kept).entries()]
    assert kinds == [exceptions.KIND, exceptions.EXPIRED]
    Ledger(world.kept).decisions()
    assert len(Ledger(world.kept).entries()) == 2, "it is remembered once"
    set_back = decided(world, date(2026, 1, 6)).exceptions[0]
    assert set_back.state("2026-01-06") == "expired on 2026-02-04"
    assert not replace(set_back, expired=False).state("2026-01-06").startswith("expired")
