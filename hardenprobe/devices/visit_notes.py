"""What is remembered of each visit while a scan goes on: what tells whose it is, and where the rest of it was put aside."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Self

from hardenprobe.devices import matching, self_description
from hardenprobe.facts import OtherAddress, ProbeFault, SnmpEngine, SnmpObjects
from hardenprobe.model import Identity, Observation, Reason, Service, State
from hardenprobe.model.document import adapter, dump
from hardenprobe.model.rows import owned, read_observations, text
from hardenprobe.model.scratch import Scratch
from hardenprobe.model.visit import Visit

TELLING = frozenset({*matching.KEPT, "asset-tag", "address"})
"""The kinds of identity that tell devices apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stated:
    identities: tuple[Identity, ...]
    services: tuple[Service, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitNote:
    """A visit in few bytes. What it observed is read again from where it was put aside.

    Attributes:
        visit: Without its observations.
        observations: How many it had.
        began: When the first of them was asked; "" without any.
        shown: What identifies the device; what only describes it is read again, too.
        engines: Engine id, boots, and when the engine began to count, in seconds.
        starts: When its SNMP agent was started, in seconds.
        others: What else the device is known to be at.
        crashes: Probe, text, and place of each crash.
        texts, number: Where its entries were put aside, and behind them what it stated.
    """

    visit: Visit
    observations: int
    began: str
    shown: tuple[Identity, ...]
    engines: tuple[tuple[str, int, float], ...]
    starts: tuple[float, ...]
    others: tuple[OtherAddress, ...]
    crashes: tuple[tuple[str, str, str], ...]
    texts: Scratch
    number: int

    def entries(self, device: str) -> str:
        """Its observations as entries of a device."""
        return owned(self.texts[self.number], device, self.observations) if self.observations else "[]"

    def stated(self) -> tuple[tuple[Identity, ...], tuple[Service, ...]]:
        """Everything that it stated of itself, and its ports that did something."""
        (read,) = adapter(_Stated).validate_json(self.texts[self.number + 1])
        return read.identities, read.services

    def whole(self) -> Visit:
        """The visit as it was."""
        return replace(self.visit, observations=tuple(self.seen()))

    def seen(self) -> list[Observation[Any]]:
        """What it observed."""
        return read_observations(self.texts[self.number], owned=False) if self.observations else []


class VisitNotes:
    """The visits of a scan; what they observed lies in a file that has no name.

    Args:
        folder: Of that file; the system's folder for such files by default.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self.texts = Scratch(folder)
        self._notes: list[VisitNote] = []

    @classmethod
    def of(cls, visits: Iterable[Visit]) -> Self:
        """The notes of visits that were made already."""
        notes = cls()
        for visit in visits:
            notes.add(visit)
        return notes

    def __len__(self) -> int:
        return len(self._notes)

    def sort(self, key: Callable[[Visit], Any]) -> None:
        """Put the visits in another order."""
        self._notes.sort(key=lambda note: key(note.visit))

    def __iter__(self) -> Iterator[VisitNote]:
        return iter(self._notes)

    def add(self, visit: Visit) -> VisitNote:
        """Note a visit, and put what it observed aside."""
        seen = visit.observations
        identities = (*self_description.identities(seen), *_of_link(visit))
        number = self.texts.add(visit.entries)
        stated = _Stated(identities=identities, services=tuple(_services(seen)))
        self.texts.add(text([dump(_Stated, stated)]))
        note = VisitNote(
            visit=replace(visit, observations=()),
            observations=len(seen),
            began=seen[0].asked_at if seen else "",
            shown=tuple(one for one in identities if one.kind in TELLING),
            engines=tuple(_engines(seen)),
            starts=tuple(_starts(seen)),
            others=tuple(one.facts for one in seen if isinstance(one.facts, OtherAddress)),
            crashes=tuple(_crashes(visit)),
            texts=self.texts,
            number=number,
        )
        self._notes.append(note)
        return note


def _engines(seen: tuple[Observation[Any], ...]) -> Iterator[tuple[str, int, float]]:
    for one in seen:
        if isinstance(facts := one.facts, SnmpEngine):
            engine, boots, time = facts.engine_id, facts.boots, facts.time
            if engine is not None and boots is not None and time is not None:
                yield engine, boots, datetime.fromisoformat(one.asked_at).timestamp() - time


def _starts(seen: tuple[Observation[Any], ...]) -> Iterator[float]:
    for one in seen:
        if isinstance(one.facts, SnmpObjects) and one.facts.uptime is not None:
            yield datetime.fromisoformat(one.asked_at).timestamp() - one.facts.uptime


def _of_link(visit: Visit) -> Iterator[Identity]:
    """What the link says of who answered: his link-layer address."""
    if visit.link_layer:
        yield Identity(kind="link-layer", value=visit.link_layer, source="link", strength="medium")


def _services(seen: tuple[Observation[Any], ...]) -> Iterator[Service]:
    """Every port that did something; refusing ports are counted in coverage, not listed."""
    found: dict[tuple[str, str, int], Service] = {}
    for one in seen:
        where = one.endpoint
        if where is None or isinstance(one.facts, ProbeFault) or getattr(one.facts, "control", False):
            continue
        state = getattr(one.facts, "state", State.ACCEPTING)
        key = (where.address, where.transport, where.port)
        found_here = Service(
            address=where.address,
            transport=where.transport,
            port=where.port,
            state=state,
            protocol=where.protocol,
        )
        if better(found_here, found.get(key)):
            found[key] = found_here
    yield from found.values()


def better(one: Service, known: Service | None) -> bool:
    """Tell whether a sight of a port says more than the one before."""
    accepting = one.state is State.ACCEPTING
    if not accepting and known is None and one.transport == "tcp":
        return False
    return known is None or (accepting and (known.state is not State.ACCEPTING or not known.protocol))


def _crashes(visit: Visit) -> Iterator[tuple[str, str, str]]:
    for seen in visit.observations:
        if isinstance(seen.facts, ProbeFault) and seen.facts.reason == Reason.CRASHED:
            at = seen.endpoint
            where = f"{at.port}/{at.transport} of {visit.address}" if at else visit.address
            yield seen.facts.probe, seen.facts.text, where
