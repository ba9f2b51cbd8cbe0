"""JSON that ends on a terminal does nothing there, and says the same."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.cli import options
from hardenprobe.model import document
from hardenprobe.reports import json_stream
from hardenprobe.testing.sample import sample_review

# DEL, C1 controls among them CSI, bidirectional marks, embeddings, overrides and isolates, a line separator, half a pair.
ACTIVE = (
    "\x7f\x80\x85\x9b\x9f\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u2028\ud800"
)

plain = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text() | st.sampled_from(ACTIVE),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
)


@pytest.mark.parametrize("char", ACTIVE)
def test_an_active_character_is_escaped_in_keys_and_values(char: str) -> None:
    assert json_stream.inert({char: [char]}) == f'{{"\\u{ord(char):04x}": ["\\u{ord(char):04x}"]}}'


@given(plain)
def test_what_is_written_is_inert_and_reads_back_the_same(value: Any) -> None:
    for text in (json_stream.inert(value), json_stream.inert(value, indent=1)):
        assert all(char.isprintable() and char.isascii() for char in text.replace("\n", ""))
        assert json.loads(text) == value
    out = io.BytesIO()
    json_stream.write(out, value, keep_empty=True)
    assert out.getvalue().decode("ascii").isprintable()


def test_a_command_writes_it_so_and_the_digest_of_the_review_holds(
    capsys: pytest.CaptureFixture[str],
) -> None:
    review = sample_review(2, hostile=True)
    review = replace(review, head=replace(review.head, operator=ACTIVE[:-1]))
    written = document.to_document(review)

    options.write_json(written, "-")

    shown = capsys.readouterr().out
    assert all(char.isprintable() and char.isascii() for char in shown.replace("\n", ""))
    assert document.digest(json.loads(shown)) == document.digest(written)
    assert document.from_document(json.loads(shown)) == review
