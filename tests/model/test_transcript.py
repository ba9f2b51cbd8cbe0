"""What a transcript forgets after it was received."""

from __future__ import annotations

import re

from hardenprobe.model.transcript import Recorder


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
