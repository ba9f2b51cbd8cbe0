"""A device stays the same device over reviews, whatever is read of it or written about it; and no two become one.

Each test changes one thing between two scans and says beforehand who is who. Common practice, no published requirement.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from hardenprobe.comparison.records import Kind
from hardenprobe.comparison.standing import Standing
from hardenprobe.devices import matching
from hardenprobe.lifecycle import device_history, device_lookup
from hardenprobe.model import TARGET, Identity
from hardenprobe.reports import FORMATS
from hardenprobe.reports.source import of_store

A, B, C = "192.0.2.7", "192.0.2.8", "192.0.2.9"
RUNS = {22: "ssh", 23: "telnet"}


def ids(world: Any, review: str) -> dict[str, str]:
    """Address to the device that answered there."""
    met = [d for d in world.kept.load(review).devices if d.services]
    return {a.address: d.id for d in met for a in d.addresses}


def listed(world: Any) -> None:
    world.list_device("P-1", A)


def listed_with_serial(world: Any) -> None:
    world.list_device("P-1", A, serial="S-1")


def retagged(world: Any) -> None:
    world.listed.clear()
    world.list_device("Q-9", A)


def without_snmp(world: Any) -> None:
    world.boxes["one"].snmp = False


def without_snmp_elsewhere(world: Any) -> None:
    world.boxes["one"].snmp = False
    moved(world)


def moved(world: Any) -> None:
    box = world.boxes["one"]
    box.addresses = [C]
    box.runs = {(C, port): what for (_, port), what in box.runs.items()}


def listed_elsewhere(world: Any) -> None:
    moved(world)
    world.list_device("P-1", C, names=("new-name.example.org",))


@pytest.mark.parametrize(
    ("before", "change", "key"),
    [
        (None, listed, None),
        (None, listed_with_serial, None),
        (listed, listed_with_serial, None),
        (listed, retagged, None),
        (None, without_snmp, None),
        (None, without_snmp_elsewhere, "cc" * 32),
        (None, moved, None),
        (None, listed_elsewhere, None),
    ],
)
def test_it_stays_the_same_device_with_its_dates(
    world: Any, before: Callable[[Any], None] | None, change: Callable[[Any], None], key: str | None
) -> None:
    world.add("one", A, serial="S-1", runs=RUNS, key=key)
    world.add("two", B, serial="S-2", runs=RUNS)
    if before:
        before(world)
    first = world.scan()
    change(world)
    world.later()
    second = world.scan()
    assert set(ids(world, first).values()) == set(ids(world, second).values())
    changes = [c for c in world.changes(first, second).values() if c.check == "cleartext-telnet"]
    assert [(c.kind, c.open_since[:10]) for c in changes] == [(Kind.UNCHANGED, "2026-01-05")] * 2


def test_with_snmp_on_again_it_is_the_same_still(world: Any) -> None:
    box = world.add("one", A, serial="S-1", runs=RUNS)
    first = world.scan()
    box.snmp = False
    world.later()
    world.scan()
    box.snmp = True
    moved(world)
    world.later()
    third = world.scan()
    assert list(ids(world, first).values()) == list(ids(world, third).values())


@pytest.mark.parametrize("before", [None, listed])
def test_a_replacement_is_another_device_and_nothing_of_the_old_one_is_lost(
    world: Any, before: Callable[[Any], None] | None
) -> None:
    box = world.add("one", A, serial="S-1", runs=RUNS)
    if before:
        before(world)
    first = world.scan()
    box.serial = "S-9"
    world.later()
    second = world.scan()
    assert ids(world, first)[A] != ids(world, second)[A]
    kinds = [c.kind for c in world.changes(first, second).values() if c.check == "cleartext-telnet"]
    assert sorted(kinds) == sorted([Kind.NEW, Kind.NOT_REASSESSED])


def test_a_clone_takes_nothing_from_the_device_that_it_copies(world: Any) -> None:
    world.add("one", A, serial="S-1", engine="8000000001", boots=3, runs=RUNS)
    first = world.scan()
    world.add("clone", B, serial="S-1", engine="8000000001", boots=9, runs=RUNS)
    world.later()
    second = world.scan()
    was, now = ids(world, first), ids(world, second)
    assert now[A] == was[A] and now[B] != now[A]
    world.later()
    assert ids(world, world.scan()) == now


def test_two_addresses_of_one_device_are_one(world: Any) -> None:
    world.add("one", A, B, serial="S-1", engine="8000000001", boots=3, runs=RUNS)
    first = world.scan()
    assert len(set(ids(world, first).values())) == 1


def snmp_off(box: Any) -> None:
    box.snmp = False


def snmp_off_and_a_new_key(box: Any) -> None:
    box.snmp, box.key = False, "dd" * 32


@pytest.mark.parametrize("remedy", [snmp_off, snmp_off_and_a_new_key])
@pytest.mark.parametrize("key", ["cc" * 32, None])
def test_a_device_of_two_addresses_stays_one_without_snmp(
    world: Any, remedy: Callable[[Any], None], key: str | None
) -> None:
    """What showed that both are one device is switched off, as advised; month after month, also with one of them down."""
    box = world.add("one", A, B, serial="S-1", engine="8000000001", key=key, runs=RUNS)
    first = world.scan()
    (device,) = set(ids(world, first).values())
    remedy(box)
    for addresses in ([A, B], [B], [A, B], [A], [A, B]):
        box.addresses = addresses
        world.later()
        review = world.scan()
        assert ids(world, review) == dict.fromkeys(addresses, device)
    found = [
        (c.endpoint.address, c.kind, c.open_since[:10])
        for one in world.compare(first, review)
        for c in one.changes
        if c.endpoint
    ]
    assert sorted(found) == [(A, Kind.UNCHANGED, "2026-01-05"), (B, Kind.UNCHANGED, "2026-01-05")]


def test_who_takes_the_addresses_of_a_device_of_two_is_not_that_device(world: Any) -> None:
    """It is met elsewhere, by its serial number; at its former addresses answer two others that show nothing."""
    box = world.add("one", A, B, serial="S-1", engine="8000000001", runs=RUNS)
    first = world.scan()
    moved(world)
    world.add("two", A, runs=RUNS)
    world.add("three", B, runs=RUNS)
    world.later()
    now = ids(world, world.scan())
    assert now[C] == ids(world, first)[A]
    assert len(set(now.values())) == 3
    box.on = False
    world.later()
    assert ids(world, world.scan()) == {A: now[A], B: now[B]}


def test_an_address_that_the_inventory_takes_back_is_another_device(world: Any) -> None:
    """It was listed by mistake: what is open there is told of the other device, and no longer of this one."""
    world.add("one", A, serial="S-1", runs=RUNS)
    two = world.add("two", B, runs=RUNS)
    world.list_device("P-1", A, B)
    first = world.scan()
    world.list_device("P-1", A)
    world.later()
    second = world.scan()
    assert ids(world, first)[A] == ids(world, second)[A] != ids(world, second)[B]
    told = {(one.device.label, c.endpoint.address): c for one in world.compare(first, second) for c in one.changes
            if c.check == "cleartext-telnet"}  # fmt: skip
    assert {where: change.kind for where, change in told.items()} == {
        ("P-1", A): Kind.UNCHANGED,
        ("P-1", B): Kind.NOT_REQUIRED,
        (B, B): Kind.NEW,
    }
    assert told["P-1", B].causes[0].text == "the inventory does not give the device 192.0.2.8 any more"
    two.runs[B, 23] = "refuses"
    world.later()
    third = world.scan()
    open_now = [
        one.sighting.verdict.address for one in Standing(world.kept, world.kept.outline(third)).open()
    ]
    assert open_now == [A]


@pytest.mark.parametrize("is_listed", [True, False])
def test_of_two_that_had_an_address_it_is_the_one_that_had_it_last(world: Any, is_listed: bool) -> None:
    """The first was replaced; of the second, too, nothing is read any more."""
    if is_listed:
        world.list_device("P-1", A)
    box = world.add("one", A, serial="S-1", runs=RUNS, key="cc" * 32)
    first = world.scan()
    box.on = False
    two = world.add("two", A, serial="S-2", runs=RUNS)
    world.later()
    second = world.scan()
    two.snmp = False
    world.later()
    third = world.scan()
    assert ids(world, first)[A] != ids(world, second)[A] == ids(world, third)[A]


@pytest.mark.parametrize(("key", "standing"), [("cc" * 32, "stands"), (None, "unknown")])
def test_a_recheck_finds_a_device_whose_snmp_was_switched_off_by_its_key(
    world: Any, key: str | None, standing: str
) -> None:
    box = world.add("one", A, serial="S-1", runs=RUNS, key=key)
    first = world.scan()
    box.snmp = False
    world.later(1)
    (found,) = world.rechecked(first)
    assert (found.check, found.standing) == ("cleartext-telnet", standing)


def test_oscal_ids_are_the_same_whichever_family_an_address_has(world: Any) -> None:
    """The identifier of a risk stays from scan to scan, whether or not there is an address of the other family, too."""

    def identifiers(review: str) -> tuple[set[str], set[str]]:
        out = io.BytesIO()
        FORMATS["oscal"](of_store(world.kept, review), out)
        (result,) = json.loads(out.getvalue())["assessment-results"]["results"]
        items = {one["uuid"] for one in result["local-definitions"]["inventory-items"]}
        return items, {one["uuid"] for one in result["risks"]}

    six = "2001:db8::7"
    box = world.add("one", A, serial="S-1", engine="8000000001", key="cc" * 32)
    found = []
    for addresses in ([A], [six], [A, six], [C]):
        box.addresses = addresses
        box.runs = {(address, port): does for address in addresses for port, does in RUNS.items()}
        found.append(identifiers(world.scan()))
        world.later()
    assert len({frozenset(items) for items, _ in found}) == len(found[0][0]) == 1
    four, six_alone, both, moved_four = (risks for _, risks in found)
    assert four == moved_four and len(four) == len(six_alone) == 1
    assert both == four | six_alone and four != six_alone


def both_listed(world: Any) -> None:
    world.list_device("P-1", A, B)


def one_engine(world: Any) -> None:
    for name in ("one", "two"):
        world.boxes[name].serial = world.boxes[name].engine = "8000000001"


@pytest.mark.parametrize("become_one", [both_listed, one_engine])
def test_two_known_devices_that_are_one_lose_nothing(world: Any, become_one: Callable[[Any], None]) -> None:
    """Two addresses without anything that identifies them; then the inventory, or an SNMP agent, says that they are one device."""
    world.add("one", A, runs=RUNS)
    world.add("two", B, runs={22: "ssh", 21: "ftp", 23: "telnet"})
    first = world.scan()
    become_one(world)
    world.later()
    second = world.scan()
    (now,) = set(ids(world, second).values())
    (device,) = (d for d in world.kept.load(second).devices if d.services)
    assert {now, *device.formerly} == set(ids(world, first).values())

    changes = world.compare(first, second)
    assert [(one.device.id, one.met) for one in changes] == [(now, "both")]
    found = [
        (c.check, c.endpoint.address, c.kind, c.open_since[:10]) for c in changes[0].changes if c.endpoint
    ]
    assert sorted(found) == [
        ("cleartext-ftp", B, Kind.UNCHANGED, "2026-01-05"),
        ("cleartext-telnet", A, Kind.UNCHANGED, "2026-01-05"),
        ("cleartext-telnet", B, Kind.UNCHANGED, "2026-01-05"),
    ]
    (notice,) = (n for n in world.kept.load(second).notices if "of earlier reviews too" in n)
    assert device.formerly[0] in notice
    for called in (now, *device.formerly):
        history = device_history.events(world.kept, device_lookup.find(world.kept, called))
        assert [one.what for one in history].count("merged") == 1
        assert history[0].facts["addresses"] == [A, B]
    world.later()
    third = world.scan()
    assert set(ids(world, third).values()) == {now}
    assert {one.device.id for one in world.compare(first, third)} == {now}


def test_what_was_accepted_of_either_part_holds_for_the_whole(world: Any) -> None:
    world.add("one", A, runs=RUNS)
    world.add("two", B, runs=RUNS)
    first = world.scan()
    world.accept(first, ids(world, first)[A], "cleartext-telnet")
    world.accept(first, ids(world, first)[B], "cleartext-telnet")
    both_listed(world)
    world.later(20)
    second = world.kept.load(world.scan(decisions=world.decisions()))
    assert [r.exception is not None for r in second.findings if r.check == "cleartext-telnet"] == [True] * 2


def test_an_entry_of_two_addresses_does_not_take_over_who_was_replaced(world: Any) -> None:
    """At the second address answered another device, by its key; it is gone, and its findings are told of."""
    world.add("one", A, runs=RUNS, key="11" * 32)
    world.add("two", B, runs=RUNS, key="22" * 32)
    first = world.scan()
    del world.boxes["two"]
    world.boxes["one"].addresses.append(B)
    both_listed(world)
    world.later()
    second = world.scan()
    told = {one.device.id: one for one in world.compare(first, second)}
    gone = told[ids(world, first)[B]]
    assert gone.met == "before"
    assert [c.kind for c in gone.changes if c.check == "cleartext-telnet"] == [Kind.NOT_REASSESSED]


def test_a_device_that_is_met_apart_again_has_its_own_id(world: Any) -> None:
    world.add("one", A, serial="S-1", runs=RUNS)
    world.add("two", B, runs=RUNS)
    first = world.scan()
    both_listed(world)
    world.later()
    world.scan()
    world.listed.clear()
    world.list_device("P-1", A)
    world.list_device("P-2", B)
    world.later()
    third = world.scan()
    assert ids(world, third) == ids(world, first)
    assert {one.device.id for one in world.compare(first, third)} == set(ids(world, first).values())


def test_two_devices_that_swap_addresses_keep_their_ids(world: Any) -> None:
    one = world.add("one", A, serial="S-1", runs=RUNS)
    two = world.add("two", B, serial="S-2", runs=RUNS)
    first = world.scan()
    one.addresses, two.addresses = two.addresses, one.addresses
    one.runs, two.runs = two.runs, one.runs
    world.later()
    second = world.scan()
    was, now = ids(world, first), ids(world, second)
    assert (was[A], was[B]) == (now[B], now[A])


LOST, TAKEN_BACK = "not reached at 192.0.2.7", "the inventory does not give the device 192.0.2.7 any more"


@pytest.mark.parametrize("when", ["before", "now", "always"])
def test_two_listed_addresses_that_were_never_met_together_are_no_change_of_address(
    world: Any, when: str
) -> None:
    """Telnet runs at the first address alone, which is down in the second month; the inventory gives the device both."""
    box = world.add("one", A, serial="S-1", runs=RUNS)
    world.list_device("P-1", *((A,) if when == "now" else (A, B)))
    first = world.scan()
    box.addresses, box.runs = [B], {(B, 22): "ssh"}
    world.list_device("P-1", *((B,) if when == "before" else (A, B)))
    world.later()
    second = world.scan()
    ((change,),) = (one.changes for one in world.compare(first, second))
    said = (Kind.NOT_REQUIRED, [TAKEN_BACK]) if when == "before" else (Kind.NOT_REASSESSED, [LOST])
    assert (change.kind, [cause.text for cause in change.causes]) == said
    (found,) = world.rechecked(first)
    assert found.standing == "unknown"


def test_what_one_of_two_addresses_was_accepted_for_is_not_accepted_at_the_other(world: Any) -> None:
    """Met at both, then at the first alone, where Telnet is accepted; then at the second alone, where it runs, too."""
    box = world.add("one", A, B, serial="S-1", engine="8000000001", runs=RUNS)
    world.scan()
    box.addresses = [A]
    world.later(1)
    second = world.scan()
    world.accept(second, ids(world, second)[A], "cleartext-telnet", port=23)
    for addresses, covered in (([B], [False]), ([A], [True]), ([A, B], [True, False])):
        box.addresses = addresses
        world.later(1)
        review = world.kept.load(world.scan(decisions=world.decisions()))
        telnet = [r for r in review.findings if r.check == "cleartext-telnet"]
        assert [r.exception is not None for r in telnet] == covered


@pytest.mark.parametrize("add", [(), ("2001:db8::7",)])
def test_what_was_accepted_goes_along_with_the_only_address_of_its_family(
    world: Any, add: tuple[str]
) -> None:
    box = world.add("one", A, *add, serial="S-1", engine="8000000001", runs=RUNS)
    first = world.scan()
    world.accept(first, ids(world, first)[A], "cleartext-telnet")
    moved(world)
    box.addresses += add
    box.runs |= {(address, 23): "telnet" for address in add}
    world.later(1)
    review = world.kept.load(world.scan(decisions=world.decisions()))
    telnet = [r for r in review.findings if r.check == "cleartext-telnet"]
    assert [r.exception is not None for r in telnet] == [True] * (1 + len(add))


def test_a_telnet_greeting_tells_no_device_from_another(world: Any) -> None:
    """Neither two of a model, with one greeting, are one that moved; nor is a device another for a new greeting."""
    world.add("one", A, prompt="R-7 login: ", runs=RUNS)
    first = world.scan()
    world.boxes["one"].on = False
    world.add("two", B, prompt="R-7 login: ", runs=RUNS)
    world.later()
    second = world.scan()
    assert ids(world, first)[A] != ids(world, second)[B]
    world.boxes["two"].prompt = "R-7 release 2 login: "
    world.later()
    assert ids(world, second) == ids(world, world.scan())


def test_the_name_by_which_a_device_was_asked_for_is_nothing_that_it_shows() -> None:
    named = Identity(kind="name", value="printer.example.org", source=TARGET, strength="weak")
    assert matching.marks([named]) == ()
    assert matching.marks([replace(named, source="snmp")]) == (("name", "printer.example.org"),)


def test_a_listed_device_that_is_away_is_not_merged_with_whom_it_replaced(world: Any) -> None:
    """It is listed for the first time when it is off: at its address another device was met before it."""
    world.add("one", A, serial="S-1", runs=RUNS)
    first = world.scan()
    world.boxes["one"].on = False
    world.add("two", A, serial="S-2", runs=RUNS)
    world.later()
    second = world.scan()
    world.boxes["two"].on = False
    world.list_device("P-1", A)
    world.later()
    third = world.scan()
    (device,) = world.kept.load(third).devices
    assert (device.id, device.formerly) == (ids(world, second)[A], ())
    world.boxes["two"].on = True
    world.later()
    assert ids(world, world.scan())[A] == ids(world, second)[A] != ids(world, first)[A]
