"""`hardenprobe next`: the same scan as last time, and what differs."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from hardenprobe.store.opening import opened
from hardenprobe.testing import sample_review

Command = Callable[..., Any]
TELNET = b"\xff\xfb\x01login: "


@pytest.mark.slow
def test_it_scans_as_last_time_and_says_what_differs(
    command: Command, device: Callable[[dict[int, bytes]], Any], store: list[str]
) -> None:
    there = device({23: TELNET})
    assert command("scan", *there.arguments, "--only", "cleartext-telnet", *store).status == 1
    again = command("next", *store)
    assert again.status == 1, again.err
    assert "nothing differs from last time" in again.err
    compared = command("compare", *store)
    assert "made otherwise" not in compared.out and compared.status == 0

    before = there.connections.copy()
    there.baseline.write_text(there.baseline.read_text() + "\n# looked over\n")
    planned = command("next", "--dry-run", *store)
    assert planned.status == 0 and "was changed since" in planned.err
    assert there.connections == before, "a dry run sends nothing"
    assert len(json.loads(command("reviews", "--json", *store).out)) == 2


def test_a_review_of_which_it_is_not_known_how_it_was_asked_for(command: Command, store: list[str]) -> None:
    with opened(store[1]) as kept:
        kept.save(sample_review(1))
    ended = command("next", *store)
    assert ended.status == 2 and "does not hold how review" in ended.err
