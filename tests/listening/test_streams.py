"""hardenprobe.listening.streams"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.listening import streams
from hardenprobe.listening.streams import ACK, FIN, RST, SYN, Streams

CLIENT, SERVER = b"\xc0\0\2\x28\xc3\x50", b"\xc0\0\2\x07\0\x17"


@dataclass
class Ear:
    """What a connection said, side by side."""

    done: bool = False
    taken: bool = False
    said: dict[bool, bytes] = field(default_factory=lambda: {True: b"", False: b""})
    held: int = 0
    gaps: list[bool] = field(default_factory=list)
    ends: list[bool] = field(default_factory=list)

    def accepted(self, seconds: float) -> None:
        self.taken = True

    def heard(self, by_client: bool, data: bytes, seconds: float) -> None:
        assert data and by_client not in self.gaps
        self.said[by_client] += data

    def missed(self, by_client: bool) -> None:
        self.gaps.append(by_client)

    def closed(self, by_client: bool, seconds: float) -> None:
        self.ends.append(by_client)


class Line:
    """One connection, segment by segment."""

    def __init__(self, most: int = 100, first: int = 1000) -> None:
        self.ears: list[Ear] = []
        self.joined: list[bytes] = []
        self.streams = Streams(self._begin, lambda client, server, at: self.joined.append(server), most)
        self.first = first

    def _begin(self, client: bytes, server: bytes) -> Ear:
        self.ears.append(Ear())
        return self.ears[-1]

    def send(
        self,
        by_client: bool,
        number: int,
        data: bytes = b"",
        flags: int = ACK,
        cut: bool = False,
        client: bytes = CLIENT,
        acknowledged: int = 0,
    ) -> None:
        ends = (client, SERVER) if by_client else (SERVER, client)
        self.streams.segment(*ends, number % (1 << 32), acknowledged % (1 << 32), flags, data, cut, 0.0)

    def open(self, client: bytes = CLIENT) -> Ear:
        self.send(True, self.first - 1, flags=SYN, client=client)
        self.send(False, 5000, flags=SYN | ACK, client=client, acknowledged=self.first)
        return self.ears[-1]


TEXT = bytes(range(65, 91)) * 4


@st.composite
def pieces(draw: st.DrawFn) -> list[tuple[int, int]]:
    """Segments that cover all of TEXT, some twice and overlapping, in any order."""
    cuts = sorted({0, len(TEXT), *draw(st.lists(st.integers(0, len(TEXT)), max_size=12))})
    made = list(pairwise(cuts))
    more = draw(st.lists(st.tuples(st.integers(0, 103), st.integers(1, 40)), max_size=6))
    made += [(at, min(len(TEXT), at + size)) for at, size in more]
    return draw(st.permutations(made))


@given(pieces(), st.sampled_from([1000, (1 << 32) - 30]))
def test_what_was_said_is_heard_in_order_however_it_came(cuts: list[tuple[int, int]], first: int) -> None:
    line = Line(first=first)
    ear = line.open()
    for begin, end in cuts:
        line.send(True, first + begin, TEXT[begin:end])

    assert ear.taken and ear.said[True] == TEXT and not ear.gaps


@given(st.data())
def test_of_octets_that_come_twice_the_first_count(data: st.DataObject) -> None:
    line = Line()
    ear = line.open()
    line.send(True, 1000, TEXT[:50])
    begin = data.draw(st.integers(0, 49))
    line.send(True, 1000 + begin, b"?" * (50 - begin) + TEXT[50:])

    assert ear.said[True] == TEXT


@given(st.binary(max_size=600))
def test_hostile_segments_are_survived_in_bounded_memory(data: bytes) -> None:
    line = Line(most=4)
    for at in range(0, len(data) - 5, 6):
        kind, port, high, low, flags, size = data[at : at + 6]
        client = CLIENT[:-1] + bytes((port % 16,))
        line.send(bool(kind & 1), high << 24 | low, bytes(size), flags & 0x17, bool(kind & 2), client, low)
    held = {id(side): side for side in line.streams._sides.values()}
    assert len(held) <= 2 * 4 + 2
    assert line.streams._waiting == sum(map(len, (d for s in held.values() for d in s.held.values())))
    line.streams.finish()

    assert not line.streams._sides and line.streams._waiting == 0


def test_a_gap_is_told_once_and_nothing_behind_it_is_heard() -> None:
    line = Line()
    ear = line.open()
    line.send(True, 1000, b"one")
    for n in range(streams.SEGMENTS + 2):
        line.send(True, 1010 + 5 * n, b"later")
    line.send(True, 1003, b"missing")

    assert (ear.said[True], ear.gaps, line.streams.gaps) == (b"one", [True], 1)
    assert line.streams._waiting == 0


@pytest.mark.parametrize("ahead", [0, 10])
def test_a_snapped_segment_is_heard_as_far_as_it_goes(ahead: int) -> None:
    line = Line()
    ear = line.open()
    if ahead:
        line.send(True, 1000 + ahead, b"behind", cut=True)
    line.send(True, 1000, b"0123456789"[: ahead or 4], cut=not ahead)
    line.send(True, 1040 + ahead, b"beyond")
    line.streams.finish()

    assert ear.said[True] == (b"0123456789behind" if ahead else b"0123")
    assert ear.gaps


def test_an_end_is_told_when_all_before_it_was_heard() -> None:
    line = Line()
    ear = line.open()
    line.send(False, 5004, b"bye", FIN | ACK)
    assert not ear.ends
    line.send(False, 5001, b"so ")

    assert (ear.said[False], ear.ends) == (b"so bye", [False])


def test_ports_that_are_used_again_are_another_connection() -> None:
    line = Line()
    line.open()
    line.send(True, 1000, b"first")
    line.send(True, 999, flags=SYN)  # the same once more
    line.first = 9000
    ear = line.open()
    line.send(True, 9000, b"second")

    assert [one.said[True] for one in line.ears] == [b"first", b"second"]
    assert ear is line.ears[1]


def test_a_reset_of_a_request_is_no_service() -> None:
    line = Line()
    line.send(True, 999, flags=SYN)
    line.send(False, 0, flags=RST | ACK)

    assert not line.ears[0].taken and line.ears[0].ends == [False]


def test_a_connection_that_was_there_before_tells_its_port_alone() -> None:
    line = Line()
    line.send(False, 77, b"in the middle")
    line.send(False, 90, b" of something")

    assert (line.joined, line.ears, line.streams.joined) == ([SERVER], [], 1)


def test_an_answer_begins_a_connection_whose_request_is_missing() -> None:
    line = Line()
    line.send(False, 5000, flags=SYN | ACK, acknowledged=1000)
    line.send(False, 5001, b"login: ")
    line.send(True, 1000, b"root")

    assert (line.ears[0].taken, line.ears[0].said) == (True, {True: b"root", False: b"login: "})


def test_listeners_that_hold_too_much_are_given_up_the_older_first() -> None:
    line = Line()
    for n in range(8):
        client = CLIENT[:-1] + bytes((n,))
        line.open(client)
        line.ears[-1].held = streams.KEPT_IN_ALL // 4
        line.send(True, 1000, b"x", client=client)

    assert line.streams.cut and line.streams._kept <= streams.KEPT_IN_ALL
    assert not line.ears[-1].gaps and line.ears[0].gaps
    line.streams.finish()
    assert line.streams._kept == 0


def test_too_many_connections_end_the_older_half_of_them() -> None:
    line = Line(most=4)
    for n in range(10):
        line.open(CLIENT[:-1] + bytes((n,)))

    assert line.streams.cut >= 4 and len(line.streams._sides) <= 2 * 4
