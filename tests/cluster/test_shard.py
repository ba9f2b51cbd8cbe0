"""cluster.shard: what a worker says is believed of its shard and of nothing else."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.cluster.shard import Shard, ShardReply, read_reply
from hardenprobe.errors import MalformedReply
from hardenprobe.facts import TcpPort
from hardenprobe.model import Cost, State
from hardenprobe.model.transcript import observation
from hardenprobe.model.visit import Visit

SHARD = Shard(
    id="7", begin_within=300.0, expected=("192.0.2.1",), swept=("192.0.2.8", "192.0.2.9"),
    spent={"RP-01": Cost(connections=3)}, sealed="00ff",
)  # fmt: skip
SEEN = observation(TcpPort(state=State.REFUSING, control=False), None, "office", "2026-11-30T10:00:00Z")
VISIT = Visit(address="192.0.2.1", vantage="office", outcome="answered", observations=(SEEN,))
REPLY = ShardReply(
    visits=(VISIT,), quiet={1: "silent"}, refused={"192.0.2.8": "outside"}, sweep=Cost(datagrams=2)
)


def test_a_shard_and_its_reply_come_back_as_they_were() -> None:
    assert Shard.unpacked(SHARD.packed()) == SHARD
    assert read_reply(REPLY.packed(), SHARD, "office") == REPLY


@pytest.mark.parametrize(
    "lie",
    [
        {"visits": [VISIT.__class__(address="192.0.2.99", vantage="office", outcome="answered")]},
        {"visits": [VISIT.__class__(address="192.0.2.1", vantage="guests", outcome="answered")]},
        {"visits": [VISIT, VISIT]},
        {"visits": [VISIT.__class__(address="192.0.2.1", vantage="office", outcome="answered",
                                    observations=(observation(SEEN.facts, None, "guests", SEEN.asked_at),))]},
        {"quiet": {2: "silent"}},
        {"quiet": {0: "answered"}},
    ],
)  # fmt: skip
def test_a_reply_about_anything_else_is_refused(lie: dict[str, Any]) -> None:
    with pytest.raises(MalformedReply):
        read_reply(ShardReply(**lie).packed(), SHARD, "office")


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=10,
)


@given(st.binary(max_size=60) | JSON.map(lambda value: json.dumps(value).encode()))
def test_whatever_a_worker_says_is_read_or_refused(said: bytes) -> None:
    with pytest.raises(MalformedReply):
        read_reply(said, SHARD, "office")


@given(st.sampled_from(sorted(json.loads(REPLY.packed()))), JSON)
def test_any_part_that_is_something_else_is_read_or_refused(part: str, other: Any) -> None:
    told = {**json.loads(REPLY.packed()), part: other}
    try:
        reply = read_reply(json.dumps(told).encode(), SHARD, "office")
    except MalformedReply:
        return
    assert {visit.address for visit in reply.visits} <= set(SHARD.addresses)
