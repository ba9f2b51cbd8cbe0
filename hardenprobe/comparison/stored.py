"""Two stored reviews compared, a few devices in memory at a time."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from hardenprobe.baseline.selection import Expectations
from hardenprobe.comparison import finding_state
from hardenprobe.comparison.comparable import differences
from hardenprobe.comparison.device import Pair, compare_device
from hardenprobe.comparison.finding_state import Conditions, Entry, Evidence, conditions
from hardenprobe.comparison.records import DeviceChange, Kind, Named, Totals
from hardenprobe.comparison.timelines import Visit
from hardenprobe.decisions import device_register
from hardenprobe.errors import StoreRefused, UsageError
from hardenprobe.model import Device, Review
from hardenprobe.model.rows import read_device
from hardenprobe.standards.segments import Segment
from hardenprobe.store.device_rows import pages
from hardenprobe.store.ledger import Ledger
from hardenprobe.store.rejudge import reading
from hardenprobe.store.store import Store


class Comparison:
    """What `OLD` and `NEW` hold, and what the reviews before them tell, compared in one pass.

    Attributes:
        old, new: The reviews.
        notices: What people should know before they read on.
    """

    def __init__(self, store: Store, old: str, new: str, expected: Expectations | None = None) -> None:
        """Look both reviews and those before them up.

        Args:
            old, new: As for `Store.find`.
            expected: The baselines whose days for remediation hold; without them nothing is due.

        Raises:
            UnknownName, UsageError: There is no such review, both are the same, or one is a recheck.
            StoreRefused: One of them cannot be read.
        """
        self._store = store
        self._expected = expected
        before, after = store.find(old), store.find(new)
        if before == after:
            raise UsageError(f"{old} and {new} are the same review, {before}; name two")
        self._before, self._after = store.outline(before), store.outline(after)
        for head in (self._before.head, self._after.head):
            if head.rechecks:
                raise UsageError(
                    f"{head.id} asked about some findings of {head.rechecks} again and says nothing of the rest; name scans"
                )
        self.notices: list[str] = []
        self._past = reviews_until(
            store, self._after, self._before, segments=segments_of(expected), notices=self.notices
        )
        self._old = next(n for n, one in enumerate(self._past) if one.id == before)
        self.old, self.new = (
            _named(outline, self._past[at]) for outline, at in ((self._before, self._old), (self._after, -1))
        )
        self.notices += differences(self._before, self._after)
        if after in store.before(before):
            self.notices.append("the review that is named first is the newer one")
        elif self.old.started > self.new.started and self._after.head.resumed_from is None:
            self.notices.append(
                f"review {after} was stored after {before} and began before it by its machine's clock: one of the two clocks "
                "was wrong"
            )
        self._register = device_register.Register(device_register.read(Ledger(store).entries()))
        self._kinds: Counter[Kind] = Counter()
        self._met: Counter[str] = Counter()
        self._overdue = self._drifted = self._told_before = self._told_now = 0

    def devices(self, only: Collection[str] = ()) -> Iterator[DeviceChange]:
        """Every device that is known: in the order of the older review, then of the newer, then those of earlier ones.

        A device that neither review met is named while findings of it are open.

        Args:
            only: What the wanted devices are called, by id, asset tag, name or address; all where it is empty.

        Raises:
            StoreRefused: A review was changed from outside.
        """
        for page in pages(devices_of(self._past, (self._past[self._old], self._past[-1]))):
            for visits in visits_of(self._past, page).values():
                with reading(self._store, f"{self.old.id} or {self.new.id}"):
                    if change := self._compare(visits, only):
                        yield change

    @property
    def totals(self) -> Totals:
        """What the devices that were read so far add up to."""
        return Totals(
            kinds={kind: self._kinds[kind] for kind in Kind},
            overdue=self._overdue,
            devices={met: self._met[met] for met in ("both", "before", "now", "neither")},
            drifted=self._drifted,
            told_before=self._told_before,
            told_now=self._told_now,
        )

    def _compare(self, visits: Sequence[Visit], only: Collection[str]) -> DeviceChange | None:
        ends = [one for one in (visits[-1].evidence, visits[self._old].evidence) if one]
        newest = (ends or [one.evidence for one in reversed(visits) if one.evidence])[0]
        if only and not any(_called(one.record, only) for one in ends or [newest]):
            return None
        device = newest.record
        turn, _ = self._register.of(device.ids, device_register.telling(device.identity)) or (None, "")
        here = visits[-1].evidence is not None and visits[-1].evidence.met
        gone = turn is not None and turn.kind == device_register.RETIRED and not here
        change = compare_device(
            Pair(
                visits=visits,
                old=self._old,
                baseline=self._expected.of(device) if self._expected else None,
                retired=f"the device was retired on {turn.on} ({turn.id})" if turn and gone else None,
                retired_on=turn.on if turn and gone else "",
            )
        )
        if not ends and not change.changes:
            return None
        self._kinds.update(one.kind for one in change.changes)
        self._met[change.met] += 1
        self._overdue += sum(one.overdue for one in change.changes)
        self._drifted += bool(change.drift)
        self._told_before += change.told_before
        self._told_now += change.told_now
        return change


class Held:
    """A stored review, and what it holds of each device.

    Attributes:
        outline: The review without its devices.
        rows: Device to the row that holds it.
    """

    def __init__(self, store: Store, outline: Review, segments: Iterable[Segment] = ()) -> None:
        self.id = outline.head.id
        self.outline = outline
        self.conditions: Conditions = conditions(outline, segments)
        self.rows: Mapping[str, int] = store.rows(self.id)
        self._store = store

    def of(self, devices: Mapping[str, Sequence[str]]) -> dict[str, Evidence]:
        """What it holds of some devices; ask for a few at once.

        Args:
            devices: Device to all its ids.

        Raises:
            StoreRefused: The review was changed from outside.
        """
        rows = [self.rows[id] for ids in devices.values() for id in ids if id in self.rows]
        found: dict[str, Evidence] = {}
        for device, record, results in self._store.some_results(self.id, rows):
            with reading(self._store, self.id):
                found[device] = Evidence(
                    results=finding_state.by_check(map(finding_state.read, json.loads(results))),
                    conditions=self.conditions,
                    device=lambda record=record: self._device(record),  # type: ignore[misc]
                    observations=lambda device=device: self._observations(device),  # type: ignore[misc]
                )
        parts = {device: [found[id] for id in ids if id in found] for device, ids in devices.items()}
        return {device: finding_state.joined(some) for device, some in parts.items() if some}

    def _device(self, record: str) -> Device:
        with reading(self._store, self.id):
            return read_device(record)

    def _observations(self, device: str) -> list[Entry]:
        (part,) = self._store.some(self.id, [self.rows[device]])
        with reading(self._store, self.id):
            found: list[Entry] = json.loads(part.observations)
            return found


def course(reviews: Iterable[tuple[str, Conditions, Evidence | None]]) -> list[Visit]:
    """A device's way through some reviews, each as its id, how it was made and what it holds of the device."""
    known: list[Evidence] = []
    visits = []
    for review, made, evidence in reviews:
        if evidence:
            evidence = replace(evidence, over_time=lambda: known)
            known.append(evidence)
        visits.append(Visit(review=review, conditions=made, evidence=evidence))
    return visits


def parts_of(held: Iterable[Held]) -> Mapping[str, list[str]]:
    """Device to the ids that it had besides: of a device that the newest review takes for one, and an earlier one for several.

    Args:
        held: In the order in which they were stored.
    """
    whole: dict[str, str] = {}
    for one in held:
        whole = {id: device for id, device in whole.items() if id not in one.rows}  # met apart again
        for merged in one.outline.coverage.merged:
            whole |= dict.fromkeys(merged.formerly, merged.device)
    found: dict[str, list[str]] = {}
    for id, device in whole.items():
        while device in whole:
            device = whole[device]
        found.setdefault(device, []).append(id)
    return found


def devices_of(held: Sequence[Held], first: Iterable[Held] = ()) -> list[str]:
    """Every device that some reviews know, each once under the id that it has by now; those of some reviews before others."""
    names: dict[str, None] = {}
    for one in (*first, *reversed(held)):
        names |= dict.fromkeys(one.rows)
    parts = {id for some in parts_of(held).values() for id in some}
    return [name for name in names if name not in parts]


def visits_of(held: Sequence[Held], devices: Collection[str]) -> dict[str, list[Visit]]:
    """Each device's way through some reviews; ask for a few devices at once.

    Raises:
        StoreRefused: A review was changed from outside.
    """
    parts = parts_of(held)
    ids = {device: (device, *parts.get(device, ())) for device in devices}
    per_review = [one.of(ids) for one in held]
    return {
        name: course(
            [(one.id, one.conditions, found.get(name)) for one, found in zip(held, per_review, strict=True)]
        )
        for name in devices
    }


def reviews_until(
    store: Store,
    last: Review,
    also: Review | None = None,
    *,
    segments: Iterable[Segment] = (),
    notices: list[str] | None = None,
) -> list[Held]:
    """Every scan and recheck of a scope up to one review, in the order in which they were stored, that one last.

    The order is the store's own and not the clock's, which may have been set back.

    Args:
        also: A review that must be among them, wherever it stands.
        notices: Is called with reviews that cannot be read.
    """
    found: list[Held] = []
    shared = tuple(segments)
    for name in reversed(store.before(last.head.id)):
        try:
            one = also if also and name == also.head.id else store.outline(name)
        except (StoreRefused, UsageError):
            if notices is not None:
                notices.append(
                    f"review {name} cannot be read, so it says nothing of how long anything was open"
                )
            continue
        if one is also or one.head.judged_from is None:
            found.append(Held(store, one, shared))
    if also and also.head.id not in {one.id for one in found}:
        found.append(Held(store, also, shared))
    return [*found, Held(store, last, shared)]


def segments_of(expected: Expectations | None) -> tuple[Segment, ...]:
    """The segments that the policies of some baselines name."""
    every = getattr(expected, "baselines", {}).values()
    return tuple(
        segment
        for one in every
        if "segment-reach" in one.settings
        for segment in one.settings["segment-reach"].segments
    )


def _named(outline: Review, held: Held) -> Named:
    head = outline.head
    return Named(
        id=head.id, started=head.started, scope=head.scope, devices=len(held.rows), finished=head.finished
    )


def _called(device: Device, names: Collection[str]) -> bool:
    known = (device.id, device.label, *device.names, *(one.address for one in device.addresses))
    return any(name in names for name in known)
