"""In which order the addresses of a plan are visited: spread over all its segments, and the same again from one seed.

Position p visits index (step * p + first) mod n of the n addresses in ascending order. `step` and n have no common
factor, so each address comes exactly once, and nothing but the ranges is held. Where all terms of the continued fraction
of step / n are small, every run of consecutive positions lies about evenly over the whole (three-distance theorem:
Knuth, The Art of Computer Programming, volume 3, section 6.4, theorem S), so that a segment rests between
two visits. Such a step is chosen from the seed.
"""

from __future__ import annotations

import random
from bisect import bisect_right
from collections.abc import Container, Iterator
from ipaddress import IPv6Address
from itertools import chain
from math import gcd
from socket import inet_ntoa

from hardenprobe.addresses import intervals
from hardenprobe.addresses.decision_diagram import Range
from hardenprobe.addresses.sets import AddressSet, parse_entry

SEGMENT = 256  # addresses that share all bits but the last eight: a /24, or a /120 of IPv6
_DRAWS = 64  # steps to choose from; enough that every term of the best one's fraction is small


class VisitOrder:
    """A lazy permutation of a set of addresses.

    Two consecutive visits lie in different segments wherever no segment holds more than three eighths of the addresses
    and these are more than six. Memory and start do not grow with the number of addresses, only with the number of ranges.

    Args:
        addresses: Whom to visit; see `Plan.wanted`.
        seed: Decides the order. The same set and seed give the same order on every machine and Python version.
    """

    def __init__(self, addresses: AddressSet, seed: int) -> None:
        self.addresses = addresses
        self.seed = seed
        self._own = {
            4: tuple(intervals.ranges(addresses.v4)),
            6: tuple(intervals.ranges(addresses.v6)),
        }
        ranges: tuple[Range, ...] = (*self._own[4], *self._own[6])
        self._v4 = intervals.count(addresses.v4)
        self._starts: list[int] = []  # the index of each range's first address
        self._shifts: list[int] = []  # from index to number
        count = 0
        for first, last in ranges:
            self._starts.append(count)
            self._shifts.append(first - count)
            count += last - first + 1
        self._count = count
        chance = random.Random(seed)  # only random() is promised to stay the same between Python versions
        self._first = int(chance.random() * count)
        self._step = _step(count, _fullest_segment(ranges), chance)

    def __len__(self) -> int:
        return self._count

    def __iter__(self) -> Iterator[str]:
        count, step, index = self._count, self._step, self._first
        starts, shifts, v4, text = self._starts, self._shifts, self._v4, self._address
        for _ in range(count):
            if index < v4:
                yield inet_ntoa((index + shifts[bisect_right(starts, index) - 1]).to_bytes(4))
            else:
                yield text(index)
            index += step
            if index >= count:
                index -= count

    def at(self, position: int) -> str:
        """The address that is visited at a position.

        Raises:
            IndexError: The position is not in range(len(self)).
        """
        if not 0 <= position < self._count:
            raise IndexError(f"position {position}, expected 0 to {self._count - 1}")
        return self._address((position * self._step + self._first) % self._count)

    def position(self, address: str) -> int:
        """When an address is visited.

        Raises:
            ValueError: The address is not in the set.
        """
        entry = parse_entry(address)
        number, own = entry.first, self._own[entry.version]
        at = bisect_right(own, (number, 1 << 129)) - 1
        if at < 0 or number > own[at][1]:
            raise ValueError(f"{address} is not among the {self._count} addresses of this order")
        index = number - own[at][0] + self._starts[at if entry.version == 4 else at + len(self._own[4])]
        return (index - self._first) * pow(self._step, -1, self._count) % self._count

    def walk(self, start: int = 0, done: Container[int] = ()) -> Iterator[tuple[int, str]]:
        """Positions and addresses from a position onward, without the positions in `done`."""
        count, step, text = self._count, self._step, self._address
        index = (start * step + self._first) % count if count else 0
        for position in range(start, count):
            if position not in done:
                yield position, text(index)
            index += step
            if index >= count:
                index -= count

    def _address(self, index: int) -> str:
        number = index + self._shifts[bisect_right(self._starts, index) - 1]
        return inet_ntoa(number.to_bytes(4)) if index < self._v4 else str(IPv6Address(number))


def _step(count: int, segment: int, chance: random.Random) -> int:
    """A step from 3/8 of `count` to half of it that leaves a segment behind; the nearest one where there is none."""
    if count < 3:
        return 1
    middle = count // 2
    lowest = min(max(-(-3 * count // 8), segment), middle)
    draws = (lowest + int(chance.random() * (middle - lowest + 1)) for _ in range(_DRAWS))
    if found := [step for step in draws if gcd(step, count) == 1]:
        return min(found, key=lambda step: _largest_term(step, count))
    return next(s for s in chain(range(lowest, middle), range(lowest, 0, -1)) if gcd(s, count) == 1)


def _largest_term(step: int, count: int) -> int:
    """The largest term of the continued fraction of step / count."""
    largest = 0
    while step:
        term, rest = divmod(count, step)
        largest, count, step = max(largest, term), step, rest
    return largest


def _fullest_segment(ranges: tuple[Range, ...]) -> int:
    """How many of the addresses the fullest segment holds."""
    fullest = here = 0
    segment = -1
    for first, last in ranges:
        if first // SEGMENT != segment:
            here = 0
        if first // SEGMENT == last // SEGMENT:
            here += last - first + 1
        else:
            fullest = max(fullest, here + SEGMENT - first % SEGMENT, last % SEGMENT + 1)
            if last // SEGMENT - first // SEGMENT > 1:
                return SEGMENT
            here = last % SEGMENT + 1
        fullest = max(fullest, here)
        segment = last // SEGMENT
    return fullest
