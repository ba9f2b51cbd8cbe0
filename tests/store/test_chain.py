"""hardenprobe.store.chain"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import reduce

from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.store import chain


@dataclass(frozen=True, kw_only=True)
class Entry:
    number: int
    text: str
    digest: str
    previous_digest: str | None


def chained(texts: list[str]) -> list[Entry]:
    return reduce(
        lambda made, text: [*made, Entry(**chain.following(made[-1] if made else None, text=text))],
        texts,
        list[Entry](),
    )


@given(st.lists(st.text(max_size=5), min_size=1, max_size=8), st.data())
def test_whatever_is_changed_or_taken_out_shows_where(texts: list[str], data: st.DataObject) -> None:
    entries = chained(texts)
    assert [entry.number for entry in entries] == list(range(1, len(texts) + 1))
    assert chain.first_broken(entries) is None

    at = data.draw(st.integers(0, len(entries) - 1))
    changed = replace(entries[at], text=entries[at].text + "x")
    assert chain.first_broken([*entries[:at], changed, *entries[at + 1 :]]) == at + 1
    written_anew = Entry(**chain.following(entries[at - 1] if at else None, text=changed.text))
    missing = [*entries[:at], *entries[at + 1 :]]
    last = at == len(entries) - 1
    assert chain.first_broken(missing) == (None if last else at + 1)
    assert chain.first_broken([*entries[:at], written_anew, *entries[at + 1 :]]) == (None if last else at + 2)
