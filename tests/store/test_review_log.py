"""The record of reviews: whatever is changed in it or taken out of it, in any combination, shows."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import asdict, fields, replace

import pytest
import sqlalchemy as sa
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.store import review_log
from hardenprobe.store.review_log import LogEntry, Row
from hardenprobe.store.schema import make

SCOPES = ("harbour", "depot")


def record(kept: Sequence[str], taken_out: Sequence[int] = ()) -> tuple[tuple[LogEntry, ...], list[Row]]:
    """The record of some reviews, each of a scope, and the rows of those that are there."""
    engine = sa.create_engine("sqlite://")
    rows: list[Row] = []
    last: dict[str, str] = {}
    with engine.begin() as db:
        make(db)
        for number, scope in enumerate(kept):
            digest = f"{number:064x}"
            review_log.add(db, "kept", f"review-{number}", scope, digest)
            rows.append(
                Row(id=f"review-{number}", scope=scope, started="2026-03-02", devices=1, findings=1, digest=digest,
                    previous_digest=last.get(scope), sound=True)
            )  # fmt: skip
            last[scope] = digest
        for number in taken_out:
            review_log.add(
                db, "taken out", f"review-{number}", kept[number], f"{number:064x}", "K. Adler", "too old"
            )
        links = review_log.read(db)
    return links, [row for number, row in enumerate(rows) if number not in taken_out]


RECORDS = st.lists(st.sampled_from(SCOPES), min_size=1, max_size=6)


@pytest.mark.slow
@given(kept=RECORDS, data=st.data())
def test_what_is_as_it_was_stored_is_sound(kept: list[str], data: st.DataObject) -> None:
    out = data.draw(st.lists(st.integers(0, len(kept) - 1), unique=True))
    links, rows = record(kept, out)
    assert review_log.fault(links) is None
    assert all(review_log.fault(links, link.digest[:12]) is None for link in links)
    found = review_log.compared(links, rows)
    assert [one.id for one in found] == [f"review-{n}" for n in range(len(kept))]
    assert all(one.intact for one in found)
    assert [one.id for one in found if one.gone] == [f"review-{n}" for n in sorted(out)]


@pytest.mark.slow
@given(kept=RECORDS, data=st.data())
def test_any_change_shows(kept: list[str], data: st.DataObject) -> None:
    links, rows = record(kept)
    changed_links, changed_rows = list(links), copy.copy(rows)
    for _ in range(data.draw(st.integers(1, 3))):
        what = data.draw(
            st.sampled_from(
                [
                    "a row is gone",
                    "an entry is gone",
                    "an entry says something else",
                    "a row follows another",
                    "entries swapped",
                ]
            )
        )
        at = data.draw(st.integers(0, len(kept) - 1))
        if what == "a row is gone" and at < len(changed_rows):
            del changed_rows[at]
        elif what == "an entry is gone" and at < len(changed_links):
            del changed_links[at]
        elif what == "an entry says something else" and at < len(changed_links):
            name = data.draw(st.sampled_from([f.name for f in fields(LogEntry)]))
            old = getattr(changed_links[at], name)
            changed_links[at] = replace(changed_links[at], **{name: 99 if isinstance(old, int) else "x"})
        elif what == "a row follows another" and at < len(changed_rows):
            changed_rows[at] = replace(changed_rows[at], previous_digest="f" * 64)
        elif len(changed_links) > 1:
            changed_links[0], changed_links[-1] = changed_links[-1], changed_links[0]
    if (tuple(changed_links), changed_rows) == (links, rows):
        return
    shows = review_log.fault(changed_links) or not all(
        one.intact for one in review_log.compared(changed_links, changed_rows)
    )
    # Cut off at the end, entry and review, it is a state that the store was in once; a digest noted since shows it.
    number = len(changed_links)
    was_so = (tuple(changed_links), changed_rows) == (links[:number], rows[:number])
    assert bool(shows) != was_so
    if was_so:
        assert review_log.fault(changed_links, links[-1].digest)


def test_every_field_of_an_entry_is_covered() -> None:
    links, _ = record(["harbour"])
    for name, value in asdict(links[0]).items():
        assert review_log.fault([replace(links[0], **{name: 7 if isinstance(value, int) else "x"})]), name


@pytest.mark.parametrize("noted", ["", "0" * 11, "g" * 12])
def test_a_digest_that_is_none(noted: str) -> None:
    links, _ = record(["harbour"])
    with pytest.raises(Exception, match="--noted .* is no digest of an entry"):
        review_log.fault(links, noted)
