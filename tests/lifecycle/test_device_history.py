"""A device's history: one event after the other, out of a real store and its ledger."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.decisions import device_register, exceptions, statements
from hardenprobe.decisions.entry import Draft
from hardenprobe.errors import StoreRefused
from hardenprobe.lifecycle import device_history, device_lookup
from hardenprobe.lifecycle.device_history import Event
from hardenprobe.model import Address, Device, Identity, Review
from hardenprobe.store.ledger import Ledger
from hardenprobe.store.opening import opened
from hardenprobe.store.store import Store
from hardenprobe.testing import sample_review

FLEET = sample_review(3)
FIRST, SECOND, _ = FLEET.devices


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Store]:
    with opened(str(tmp_path / "store.db")) as found:
        yield found


def review(day: int, device: Device = FIRST, **head: Any) -> Review:
    """The whole fleet on a day of March, in which the first device is as given."""
    made = replace(
        FLEET.head, id=f"202603{day:02}-090000-a", started=f"2026-03-{day:02}T09:00:00.000Z", previous=None,
        previous_digest=None,
    )  # fmt: skip
    devices = (device, *FLEET.devices[1:])
    results = tuple(replace(r, device=device.id) if r.device == FIRST.id else r for r in FLEET.results)
    observations = {device.id: FLEET.observations[FIRST.id], **FLEET.observations}
    if device.id != FIRST.id:
        del observations[FIRST.id]
    return replace(
        FLEET, head=replace(made, **head), devices=devices, results=results, observations=observations
    )


def events(kept: Store, name: str = "HO-0101") -> tuple[Event, ...]:
    return device_history.events(kept, device_lookup.find(kept, name))


def at(*addresses: str, **more: Any) -> Device:
    return replace(FIRST, addresses=tuple(Address(address=a, family="ipv4") for a in addresses), **more)


def test_what_reviews_say(kept: Store) -> None:
    kept.save(review(1))
    kept.save(review(2, at("127.0.0.99")))
    kept.save(review(3, at("127.0.0.99", services=())))
    kept.save(
        replace(review(3, at("127.0.0.99")), head=replace(review(4).head, judged_from="20260303-090000-a"))
    )
    found = events(kept)
    assert [(one.at[:10], one.what, one.review) for one in found] == [
        ("2026-03-01", "first-seen", "20260301-090000-a"),
        ("2026-03-02", "moved", "20260302-090000-a"),
        ("2026-03-02", "seen", "20260302-090000-a"),
        ("2026-03-03", "not-met", "20260303-090000-a"),
        ("2026-03-04", "judged-again", "20260304-090000-a"),
    ]
    assert found[0].text == (
        "first seen at 127.0.0.10 as HO-0101; by office-default: worst high (1 high, 2 medium, 0 low)"
    )
    assert found[0].facts["standing"] == {"high": 1, "medium": 2, "low": 0}
    assert found[1].text == "address moved from 127.0.0.10 to 127.0.0.99"


def test_an_exception_is_counted_apart(kept: Store) -> None:
    made = sample_review(6)
    kept.save(replace(made, head=replace(made.head, previous=None, previous_digest=None)))
    accepted = next(r.device for r in made.findings if r.exception)
    (one,) = events(kept, accepted)
    assert one.facts["accepted"] == 1 and "1 with an exception" in one.text


def test_what_changed_is_said_and_what_one_scan_did_not_see_is_no_change(kept: Store) -> None:
    def named(**values: str) -> Device:
        more = tuple(
            Identity(kind=k.replace("_", "-"), value=v, source="s", strength="weak")
            for k, v in values.items()
        )
        return replace(FIRST, identity=(*FIRST.identity, *more))

    kept.save(review(1, named(tls_key="aa", firmware="1.0")))
    kept.save(review(2, named(tls_key="bb")))
    kept.save(review(3, replace(named(tls_key="bb", firmware="2.0"), id="dev-relisted")))
    changes = [one for one in events(kept) if one.what == "changed"]
    assert [(one.facts["kind"], one.facts["from"], one.facts["to"]) for one in changes] == [
        ("tls-key", ["aa"], ["bb"]),
        ("id", [FIRST.id], ["dev-relisted"]),
    ]


def risk(subject: str, **body: Any) -> Draft:
    plain = {
        "check": "cleartext-telnet", "device": None, "label": None, "tag": None, "reason": "r", "compensating": "c",
        "requested_by": "a", "approved_by": "b", "starts": "2026-03-02", "until": "2026-06-01", "review": "x",
        "baseline": "b", "accepted": [], **body,
    }  # fmt: skip
    return Draft(kind=exceptions.KIND, subject=subject, body=plain)


def word(subject: str, **body: Any) -> Draft:
    plain = {"control": "stored-data-encrypted", "device": None, "tag": None, "answer": "yes", "words": None, "by": "I",
             "made": "2026-03-01", "until": "2027-01-01", "method": "examine", **body}  # fmt: skip
    return Draft(kind=statements.KIND, subject=subject, body=plain)


def test_what_the_ledger_says_of_it_and_of_nobody_else(kept: Store) -> None:
    tagged = replace(FIRST, tags=("stock",))
    kept.save(review(1, tagged))
    who: dict[str, Any] = {"accepted_by": "Morag Kerr", "requested_by": "I", "reason": "new"}
    mine = {"device": FIRST.id, "label": "HO-0101", "marks": [["serial", "QM40-00000"]]}
    other = {"device": SECOND.id, "label": "HO-0102", "marks": [["serial", "QM40-00001"]]}
    Ledger(kept).add([
        risk("E-1", device=FIRST.id, label="HO-0101"), risk("E-2", device=SECOND.id, label="HO-0102"),
        risk("E-3", tag="stock"), risk("E-4", tag="public-area"),
        Draft(kind=exceptions.END, subject="E-2", body={"by": "a", "reason": "b"}),
        Draft(kind=exceptions.END, subject="E-1", body={"by": "Morag Kerr", "reason": "mended"}),
        word("S-1"), word("S-2", device="HO-0101", answer="no"), word("S-3", device="HO-0102"), word("S-4", tag="stock"),
        Draft(kind=statements.END, subject="S-2", body={"by": "I", "reason": "wrong"}),
        Draft(kind=device_register.ACCEPTED, subject="A-1", body={**mine, **who}),
        Draft(kind=device_register.ACCEPTED, subject="A-2", body={**other, **who}),
        Draft(kind=device_register.RETIRED, subject="R-1", body={**mine, "device": "dev-relisted", "answers": {"by": "M", "reason": "old"}}),
        Draft(kind=device_register.RETIRED, subject="R-2", body={**other, "answers": {"by": "M", "reason": "old"}}),
    ])  # fmt: skip
    found = events(kept)
    assert [(one.what, one.facts["subject"]) for one in found[1:]] == [
        ("exception", "E-1"), ("exception", "E-3"), ("exception-ended", "E-1"), ("statement", "S-1"), ("statement", "S-2"),
        ("statement", "S-4"), ("statement-ended", "S-2"), ("accepted", "A-1"), ("retired", "R-1"),
    ]  # fmt: skip
    texts = {one.facts["subject"]: one.text for one in found[1:] if not one.what.endswith("ended")}
    assert texts["E-3"] == "exception E-3, cleartext-telnet on tag stock, until 2026-06-01, approved by b"
    assert texts["S-2"] == "statement S-2, stored-data-encrypted of HO-0101: no, by I, until 2027-01-01"
    assert texts["A-1"] == "accepted (A-1) by Morag Kerr, asked by I: new"
    assert texts["R-1"] == "retired (R-1) by M: old"
    assert [one.entry for one in found[1:]] == [1, 3, 6, 7, 8, 10, 11, 12, 14]


def test_a_changed_row_is_said_in_one_line(kept: Store, tmp_path: Path) -> None:
    kept.save(review(1))
    with closing(sqlite3.connect(tmp_path / "store.db")) as db, db:
        db.execute("update parts set results = '[1]'")
    with pytest.raises(StoreRefused, match="changed from outside"):
        events(kept)
