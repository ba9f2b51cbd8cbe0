"""A document read piece by piece says what `json` says of it whole."""

from __future__ import annotations

import copy
import json
import random
from itertools import chain
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from hardenprobe.errors import UsageError
from hardenprobe.evidence import trace
from hardenprobe.evidence.reading import Malformed, entries, one_device
from hardenprobe.model.document import canonical, to_document
from hardenprobe.testing import sample_review

VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)
DOCUMENTS = st.dictionaries(st.text(max_size=6), VALUES, min_size=1, max_size=4).flatmap(
    lambda plain: st.lists(VALUES, max_size=4).map(
        lambda some: {**plain, "results": some, "devices": some[:1]}
    )
)


def pieces(data: bytes, size: int) -> list[bytes]:
    return [data[at : at + size] for at in range(0, len(data), size)]


@given(DOCUMENTS, st.integers(1, 50))
def test_it_reads_what_json_reads(document: dict[str, object], size: int) -> None:
    found: dict[str, object] = {}
    for key, value in entries(pieces(canonical(document), size)):
        if key in ("results", "devices", "observations"):
            found.setdefault(key, []).append(value)  # type: ignore[attr-defined]
        else:
            found[key] = value
    expected = {
        k: v
        for k, v in json.loads(canonical(document)).items()
        if not (v == [] and k in ("results", "devices"))
    }
    assert found == expected


@given(st.binary(max_size=60))
@example(b"[" * 50)
@example(b'{"a":' * 20)
@example(b'{"a":1')
@example(b'{"devices":{}}')
@example(b'{"results":[1 2]}')
def test_any_bytes_are_survived(data: bytes) -> None:
    try:
        for _ in entries(pieces(data, 7)):
            pass
    except Malformed:
        return
    assert isinstance(json.loads(data), dict)


SAMPLE = to_document(sample_review(1))
FINDING = next(r["finding"] for r in SAMPLE["results"] if r["result"] == "fail")


def spoilt(value: Any, chance: random.Random, put: Any) -> Any:
    """The value with something else in one place of it."""
    inside = list(value) if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
    if not inside or chance.random() < 0.2:
        return put
    at = chance.choice(list(inside))
    copied = copy.copy(value)
    copied[at] = spoilt(value[at], chance, put)
    return copied


@given(st.randoms(use_true_random=False), VALUES)
def test_a_document_that_somebody_wrote_is_read_or_refused(chance: random.Random, put: object) -> None:
    document = spoilt(SAMPLE, chance, put)
    try:
        review, name = one_device(lambda: [canonical(document)], FINDING[:12])
        shown = "".join(trace.lines(review, name))
    except UsageError:
        return
    assert shown.isprintable()


@pytest.mark.parametrize("key", ["devices", "observations"])
def test_entries_that_are_no_objects_are_refused(key: str) -> None:
    document = {**SAMPLE, key: [[], *SAMPLE[key]]}
    with pytest.raises(Malformed, match="an object is expected"):
        one_device(lambda: [canonical(document)], FINDING)


@pytest.mark.parametrize("deep", [b'{"a":' + b"[" * 100_000, b'{"a":' + b"9" * 100_000 + b"}"])
def test_depth_and_digits_are_bounded(deep: bytes) -> None:
    with pytest.raises(Malformed):
        list(entries([deep]))


def test_memory_is_that_of_one_entry() -> None:
    """Two hundred entries of 100 kB, and never much more than one of them is held."""
    import tracemalloc

    entry = b'{"x":"' + b"a" * 100_000 + b'"}'
    stream = chain([b'{"results":[', entry], *([b",", entry] for _ in range(200)), [b"]}"])
    tracemalloc.start()
    count = sum(1 for _ in entries(stream))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert count == 201
    assert peak < 2_000_000
