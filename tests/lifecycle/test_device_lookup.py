"""One device over the reviews of a real store: whom a name means, and where it is kept."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from hardenprobe.decisions import device_register
from hardenprobe.errors import StoreRefused, UnknownName, UsageError
from hardenprobe.lifecycle import device_lookup
from hardenprobe.model import Address, Device, Identity, Review
from hardenprobe.store.opening import opened
from hardenprobe.store.store import Store
from hardenprobe.testing import sample_review

FLEET = sample_review(3)
FIRST, SECOND, THIRD = FLEET.devices


def review(id: str, *devices: Device, started: str = "2026-03-02T21:00:00Z") -> Review:
    """A review of these devices alone."""
    head = replace(FLEET.head, id=id, started=started, previous=None, previous_digest=None)
    ids = {d.id for d in devices}
    return replace(
        FLEET,
        head=head,
        devices=devices,
        results=tuple(r for r in FLEET.results if r.device in ids),
        observations={d.id: FLEET.observations.get(d.id, ()) for d in devices},
    )


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Store]:
    with opened(str(tmp_path / "store.db")) as found:
        yield found


def at(device: Device, *addresses: str) -> Device:
    return replace(device, addresses=tuple(Address(address=a, family="ipv4") for a in addresses))


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(FIRST.id, id="id"),
        pytest.param(FIRST.id[:8], id="beginning"),
        pytest.param("HO-0101", id="asset tag"),
        pytest.param("ho-0101.print.example.org", id="name"),
        pytest.param("127.0.0.10", id="address"),
    ],
)
def test_what_a_device_may_be_called(kept: Store, name: str) -> None:
    kept.save(FLEET)
    found = device_lookup.find(kept, name)
    assert (found.device.id, found.review) == (FIRST.id, FLEET.head.id)
    assert found.marks == (("serial", "QM40-00000"),)


def test_an_address_means_who_has_it_now(kept: Store) -> None:
    kept.save(review("20260301-000000-a", at(FIRST, "192.0.2.1"), at(SECOND, "192.0.2.2")))
    kept.save(review("20260401-000000-b", at(FIRST, "192.0.2.2"), at(SECOND, "192.0.2.1")))
    assert device_lookup.find(kept, "192.0.2.1").device.id == SECOND.id
    old = device_lookup.find(kept, "192.0.2.1", "20260301-000000-a")
    assert (old.device.id, old.review) == (FIRST.id, "20260301-000000-a")


def test_who_is_gone_from_the_newest_review_is_found_where_it_was_last(kept: Store) -> None:
    kept.save(review("20260301-000000-a", at(FIRST, "192.0.2.1"), SECOND))
    kept.save(review("20260302-000000-b", at(FIRST, "192.0.2.9"), SECOND))
    kept.save(review("20260303-000000-c", SECOND))
    by_old_address = device_lookup.find(kept, "192.0.2.1")
    assert by_old_address.review == "20260302-000000-b"
    assert [a.address for a in by_old_address.device.addresses] == ["192.0.2.9"]


def test_several_are_listed_and_nobody_is_said(kept: Store) -> None:
    with pytest.raises(UsageError, match="holds no review yet"):
        device_lookup.find(kept, "HO-0101")
    named = [replace(d, names=("shared.example.org",)) for d in (FIRST, SECOND)]
    kept.save(review("20260301-000000-a", *named, THIRD))
    with pytest.raises(UsageError, match="'shared.example.org' means 2 devices: 'HO-0101' is ") as several:
        device_lookup.find(kept, "shared.example.org")
    assert FIRST.id in str(several.value) and SECOND.id in str(several.value)
    with pytest.raises(UnknownName, match="did you mean HO-010"):
        device_lookup.find(kept, "HO-01001")
    with pytest.raises(UnknownName):
        device_lookup.find(kept, "")


def test_many_are_cut_short(kept: Store) -> None:
    kept.save(sample_review(40))
    first = sample_review(40).devices
    letter = max("0123456789abcdef", key=lambda c: sum(d.id.startswith(c) for d in first))
    count = sum(d.id.startswith(letter) for d in first)
    with pytest.raises(UsageError, match=f"means {count} devices"):
        device_lookup.find(kept, letter)
    shown = device_lookup._several("x", first)
    assert (
        shown.count(" is ") == device_lookup.SHOWN and f"; and {40 - device_lookup.SHOWN} more; give" in shown
    )


def test_marks_that_others_bear_are_left_out(kept: Store) -> None:
    key = Identity(kind="host-key", value="ab" * 32, source="ssh", strength="medium")
    own = Identity(kind="engine-id", value="80001f88", source="snmp", strength="medium")
    cloned = [replace(d, identity=(*d.identity, key)) for d in (FIRST, SECOND)]
    cloned[0] = replace(cloned[0], identity=(*cloned[0].identity, own))
    kept.save(review("20260301-000000-a", *cloned))
    assert device_lookup.find(kept, FIRST.id).marks == (("serial", "QM40-00000"), ("engine-id", "80001f88"))


def test_appearances_follow_a_device_whose_id_changed(kept: Store) -> None:
    """An inventory that came later gives another id; the serial tells that it is the same device."""
    unlisted = replace(FIRST, id="dev-before", asset_tag=None)
    kept.save(review("20260301-000000-a", unlisted, SECOND))
    kept.save(review("20260302-000000-b", SECOND))
    kept.save(review("20260303-000000-c", FIRST, SECOND))
    found = device_lookup.find(kept, "HO-0101")
    rows = list(device_lookup.appearances(kept, found.device, found.marks))
    assert [(row.review, row.device.id) for row in rows] == [
        ("20260301-000000-a", "dev-before"),
        ("20260303-000000-c", FIRST.id),
    ]


def test_a_weak_mark_of_two_devices_of_a_review_takes_neither(kept: Store) -> None:
    key = Identity(kind="host-key", value='a"b\\_%', source="ssh", strength="medium")
    now = replace(FIRST, identity=(key,))
    twins = [replace(d, id=f"dev-{n}", identity=(key,)) for n, d in enumerate((FIRST, SECOND))]
    kept.save(review("20260301-000000-a", *twins))
    kept.save(review("20260302-000000-b", twins[0]))
    kept.save(review("20260303-000000-c", now))
    found = device_lookup.find(kept, FIRST.id)
    assert found.marks == (("host-key", 'a"b\\_%'),)
    rows = list(device_lookup.appearances(kept, found.device, found.marks))
    assert [row.review for row in rows] == ["20260302-000000-b", "20260303-000000-c"]


def test_another_serial_is_another_device(kept: Store) -> None:
    key = Identity(kind="host-key", value="cd" * 32, source="ssh", strength="medium")
    before = replace(SECOND, identity=(*SECOND.identity, key))
    kept.save(review("20260301-000000-a", before))
    kept.save(review("20260302-000000-b", replace(FIRST, identity=(*FIRST.identity, key))))
    found = device_lookup.find(kept, FIRST.id)
    assert device_register.telling(found.device.identity) == found.marks
    rows = list(device_lookup.appearances(kept, found.device, found.marks))
    assert [row.review for row in rows] == ["20260302-000000-b"]


def test_a_changed_row_is_said_in_one_line(kept: Store, tmp_path: Path) -> None:
    kept.save(FLEET)
    with closing(sqlite3.connect(tmp_path / "store.db")) as db, db:
        db.execute("update parts set record = '{}'")
    with pytest.raises(StoreRefused, match="changed from outside"):
        device_lookup.find(kept, FIRST.id)
    with pytest.raises(StoreRefused, match="device nobody is gone"):
        device_lookup.part(kept, FLEET.head.id, "nobody")
