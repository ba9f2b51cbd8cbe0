"""What reports count and group."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest

from hardenprobe.model import Reason, Result, Word
from hardenprobe.reports.text import visible
from hardenprobe.reports.view import View
from hardenprobe.testing import sample_review


def _result(word: Word) -> Result:
    return replace(
        sample_review(1).results[0], result=word, reason=None, score=None, severity=None, exception=None
    )


def test_what_was_left_out_on_purpose_is_not_counted() -> None:
    review = replace(sample_review(1), results=(_result(Word.NOTSELECTED), _result(Word.PASS)))
    view = View(review)
    assert (view.told, view.asked) == (1, 1)


def test_devices_with_the_same_label_are_counted_apart() -> None:
    review = sample_review(3)
    twins = tuple(replace(device, asset_tag="twin") for device in review.devices)
    untold = tuple(replace(_result(Word.UNKNOWN), device=device.id, reason=Reason.SILENT) for device in twins)
    (group,) = View(replace(review, devices=twins, results=untold)).untold
    assert len(group.devices) == 3


@pytest.mark.parametrize("room", [1, 20, 40, 77])
def test_as_many_names_as_there_is_room_for_among_very_many(room: int) -> None:
    view = View(sample_review(3))
    few = tuple(one.id for one in view.review.devices)
    fitting = [most for most in (3, 2, 1) if len(visible(view.names(few, most))) <= room or most == 1]
    assert view.names_within(few, room) == view.names(few, fitting[0])
    began = time.process_time()
    assert view.names_within(few * 10_000, room).endswith("more")
    assert time.process_time() - began < 1
