"""What a transcript forgets after it was received."""

from __future__ import annotations

import re

from hardenprobe.facts import SnmpAnswer
from hardenprobe.model import State
from hardenprobe.model.transcript import Recorder, in_order, observation


def received(recorder: Recorder) -> list[bytes]:
    return [bytes.fromhex(e.hex) for e in recorder.exchanges if e.direction == "received"]


def test_what_was_received_is_edited_across_pieces_and_what_was_sent_is_not() -> None:
    recorder = Recorder()
    for direction, data in (("received", b"name: qu"), ("sent", b"quay"), ("received", b"ay; next")):
        recorder.note(direction, data)
    recorder.rewrite_received(lambda data: re.sub(b"quay", b"****", data))
    assert received(recorder) == [b"name: **", b"**; next"]
    assert [bytes.fromhex(e.hex) for e in recorder.exchanges if e.direction == "sent"] == [b"quay"]
    assert [e.length for e in recorder.exchanges] == [8, 4, 8]


def test_an_edit_that_finds_nothing_leaves_everything() -> None:
    recorder = Recorder()
    recorder.note("received", b"abc")
    before = list(recorder.exchanges)
    recorder.rewrite_received(lambda data: data)
    assert recorder.exchanges == before


def test_mappings_of_facts_are_in_the_order_of_the_document() -> None:
    """What is judged live must be judged alike from the store, where keys are sorted."""
    values = {"1.3.6.1.2.1.1.6.0": "b", "1.3.6.1.2.1.1.1.0": "a"}
    facts = SnmpAnswer(version="1", label="public", origin="default", state=State.ACCEPTING, values=values)
    seen = observation(facts, None, "here", "2026-03-02T21:00:00.000Z")
    assert list(seen.facts.values or ()) == sorted(values) and seen.facts == facts
    assert in_order(seen.facts) is seen.facts
    assert in_order((1, ("a", {"b": 1}))) == (1, ("a", {"b": 1}))
