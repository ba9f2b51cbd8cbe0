"""Scan networks drawn at random, and hold every verdict to what their declaration says.

    python tests/fuzz/networks.py COUNT --first SEED --at-once 16

Networks are raised in namespaces of this process's own (tests/support/network_play.py). One on which truth and verdicts differ is
made smaller as long as they still do, and printed; it belongs into tests/support/network_examples.py then. Exit status 1 says that
there was one.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

from hardenprobe.demo_lab import network_random
from hardenprobe.demo_lab.network import Filter, Network, Station

sys.path.insert(0, str(Path(__file__).parents[1]))

from support import network_play as play

Tried = tuple[Network, tuple[str, ...]]


def without(values: tuple[Any, ...]) -> Iterator[tuple[Any, ...]]:
    return (values[:i] + values[i + 1 :] for i in range(len(values)))


def smaller(net: Network, sources: tuple[str, ...]) -> Iterator[Tried]:
    """Each network that lacks one thing of this one."""
    yield from ((net, left) for left in without(sources))
    yield from ((replace(net, stations=left), sources) for left in without(net.stations) if left)
    used = {station.segment for station in net.stations}
    for left in without(net.segments):
        names = {segment.name for segment in left}
        scanner = {name: own for name, own in net.scanner.items() if name in names}
        kept = {own for ours in scanner.values() for own in ours}
        if used <= names and scanner and set(sources) <= kept:
            yield replace(net, segments=left, scanner=scanner), sources
    for name, ours in net.scanner.items():
        for own in without(ours):
            if own and not set(ours) - set(own) & set(sources):
                yield replace(net, scanner={**net.scanner, name: own}), sources
    for i, segment in enumerate(net.segments):
        if segment.translated:
            plain = replace(segment, translated=False)
            yield replace(net, segments=(*net.segments[:i], plain, *net.segments[i + 1 :])), sources
    for i, station in enumerate(net.stations):
        for less in _less(station):
            yield replace(net, stations=(*net.stations[:i], less, *net.stations[i + 1 :])), sources


def _less(station: Station) -> Iterator[Station]:
    device = station.device
    for services in without(device.services):
        yield replace(station, device=replace(device, services=services))
    for lists in without(device.listed.allow_lists):
        yield replace(station, device=replace(device, listed=replace(device.listed, allow_lists=lists)))
    for addresses in without(device.listed.addresses):
        if addresses:
            yield replace(station, device=replace(device, listed=replace(device.listed, addresses=addresses)))
    for unlisted in without(station.unlisted):
        yield replace(station, unlisted=unlisted)
    if station.absent:
        yield replace(station, absent=False)
    for filters in without(station.filters):
        yield replace(station, filters=filters)
    for i, one in enumerate(station.filters):
        for simple in _simpler(one):
            yield replace(station, filters=(*station.filters[:i], simple, *station.filters[i + 1 :]))


def _simpler(one: Filter) -> Iterator[Filter]:
    for ports in without(one.ports or ()):
        if ports:
            yield replace(one, ports=ports)
    for admits in without(one.admits):
        yield replace(one, admits=admits)
    if one.family:
        yield replace(one, family=None)


def wrong(tried: dict[str, Any]) -> bool:
    return bool("failed" in tried or tried["wrong"] or tried["missing"])


def shrunk(one: Tried, at_once: int) -> Tried:
    """The smallest network that still goes wrong; what goes wrong only now and then stays as it is."""
    while True:
        less = iter(list(smaller(*one)))
        while several := list(islice(less, at_once)):
            work = [(str(i), partial(play.try_network, *each)) for i, each in enumerate(several)]
            with tempfile.TemporaryDirectory() as folder:
                made = play.beside(work, Path(folder), at_once)
            if still := next((each for i, each in enumerate(several) if wrong(made[str(i)])), None):
                one = still
                break
        else:
            return one


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("count", type=int)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--at-once", type=int, default=16)
    given = parser.parse_args()
    play.warm_up()
    verdicts = bad = 0
    end, step = given.first + given.count, 5 * given.at_once
    for first in range(given.first, end, step):
        drawn = {seed: network_random.network(seed) for seed in range(first, min(end, first + step))}
        work = [(str(seed), partial(play.try_network, *one)) for seed, one in drawn.items()]
        with tempfile.TemporaryDirectory() as folder:
            made = play.beside(work, Path(folder), given.at_once)
        for seed, one in drawn.items():
            tried = made[str(seed)]
            verdicts += len(tried.get("words", ()))
            if wrong(tried):
                bad += 1
                print(f"seed {seed}: {tried}\n  as small as can be: {shrunk(one, given.at_once)}", flush=True)
        print(
            f"{max(drawn) - given.first + 1} networks, {verdicts} verdicts, {bad} networks wrong", flush=True
        )
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
