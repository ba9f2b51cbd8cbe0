"""Two stored reviews beside each other, a few devices in memory at a time."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import partial

from hardenprobe.baseline.selection import Expected
from hardenprobe.comparison import finding_state
from hardenprobe.comparison.device import Held, Pair, Past, compare_device
from hardenprobe.comparison.finding_state import Asked, asked
from hardenprobe.comparison.records import DeviceChange, Kind, Named, Totals
from hardenprobe.errors import StoreRefused, UsageError
from hardenprobe.model import Device, Review
from hardenprobe.model.rows import read_device
from hardenprobe.store.device_rows import Part, pages
from hardenprobe.store.rejudge import reading
from hardenprobe.store.store import Store


class Comparison:
    """What `OLD` and `NEW` hold, compared in one pass.

    Attributes:
        old, new: The reviews.
        notices: What people should know before they read on.
    """

    def __init__(self, store: Store, old: str, new: str, expected: Expected | None = None) -> None:
        """Look both reviews and those before them up.

        Args:
            old, new: As for `Store.find`.
            expected: The baselines whose days for mending hold; without them nothing is due.

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
        self._was, self._now = asked(self._before), asked(self._after)
        self._rows = {name: store.rows(name) for name in (before, after)}
        self.notices: list[str] = []
        self._past = [
            _Earlier(store, outline, self._rows.get(outline.head.id)) for outline in self._history()
        ]
        self.old, self.new = (_named(one, self._rows[one.head.id]) for one in (self._before, self._after))
        if self._before.head.scope != self._after.head.scope:
            self.notices.append(f"the scopes differ: {self.old.scope} and {self.new.scope}")
        if self._before.head.started > self._after.head.started:
            self.notices.append("the review that is named first is the newer one")
        self._kinds: Counter[Kind] = Counter()
        self._met: Counter[str] = Counter()
        self._overdue = self._drifted = self._told_before = self._told_now = 0

    def _history(self) -> Iterator[Review]:
        """Every scan up to the newer one, the oldest first, and the older one wherever it stands."""
        after, met = self._after.head, False
        for name in reversed(self._store.before(after.id)):
            try:
                one = self._before if name == self._before.head.id else self._store.outline(name)
            except (StoreRefused, UsageError):
                self.notices.append(
                    f"review {name} cannot be read, and says nothing of how long anything was there"
                )
                continue
            scan = one.head.judged_from is None and one.head.rechecks is None
            if one is self._before or (scan and one.head.started < after.started):
                met = met or one is self._before
                yield one
        if not met:
            yield self._before

    def devices(self, only: Collection[str] = ()) -> Iterator[DeviceChange]:
        """Every device of either review: in the order of the older one, then those that only the newer one has.

        Args:
            only: What the wanted devices are called, by id, asset tag, name or address; all where it is empty.

        Raises:
            StoreRefused: A review was changed from outside.
        """
        before, after = self._before.head.id, self._after.head.id
        shared = self._rows[after]
        for page in pages(self._store.parts(before)):
            rows = [shared[part.device] for part in page if part.device in shared]
            yield from self._page(page, self._store.some(after, rows), only)
        fresh = [row for device, row in shared.items() if device not in self._rows[before]]
        for some in pages(fresh):
            yield from self._page([], self._store.some(after, some), only)

    @property
    def totals(self) -> Totals:
        """What the devices that were read so far add up to."""
        return Totals(
            kinds={kind: self._kinds[kind] for kind in Kind},
            overdue=self._overdue,
            devices={met: self._met[met] for met in ("both", "before", "now")},
            drifted=self._drifted,
            told_before=self._told_before,
            told_now=self._told_now,
        )

    def _page(
        self, old: Sequence[Part], new: Sequence[Part], only: Collection[str]
    ) -> Iterator[DeviceChange]:
        names = list(dict.fromkeys(part.device for part in (*old, *new)))
        was = {part.device: self._held(self._before, part) for part in old}
        now = {part.device: self._held(self._after, part) for part in new}
        past = [(one, one.of(names)) for one in self._past]
        for name in names:
            held = now.get(name) or was[name]
            if only and not any(_called(one.device, only) for one in (held, was.get(name, held))):
                continue
            pair = Pair(
                before=was.get(name),
                after=now.get(name),
                was=self._was,
                now=self._now,
                past=[Past(at=one.at, asked=one.asked, said=found.get(name)) for one, found in past],
                at=self._after.head.started,
                baseline=self._expected.of(held.device) if self._expected else None,
            )
            with reading(self._store, f"{self.old.id} or {self.new.id}"):
                change = compare_device(pair)
            self._add(change)
            yield change

    def _held(self, review: Review, part: Part) -> Held:
        with reading(self._store, review.head.id):
            return Held(read_device(part.record), json.loads(part.results), json.loads(part.observations))

    def _add(self, change: DeviceChange) -> None:
        self._kinds.update(one.kind for one in change.changes)
        self._met[change.met] += 1
        self._overdue += sum(one.overdue for one in change.changes)
        self._drifted += bool(change.drift)
        self._told_before += change.told_before
        self._told_now += change.told_now


class _Earlier:
    """A review whose results tell how long something has been there."""

    def __init__(self, store: Store, outline: Review, rows: Mapping[str, int] | None) -> None:
        self.at = outline.head.started
        self.asked: Asked = asked(outline)
        self._store, self._name = store, outline.head.id
        self._rows = store.rows(self._name) if rows is None else rows

    def of(self, devices: Sequence[str]) -> dict[str, finding_state.Said]:
        """What it says of some devices."""
        rows = [self._rows[device] for device in devices if device in self._rows]
        found = {}
        for device, record, results in self._store.some_results(self._name, rows):
            with reading(self._store, self._name):
                entries = map(finding_state.read, json.loads(results))
                found[device] = finding_state.Said(
                    finding_state.by_check(entries), partial(read_device, record)
                )
        return found


def _named(outline: Review, rows: Mapping[str, int]) -> Named:
    head = outline.head
    return Named(id=head.id, started=head.started, scope=head.scope, devices=len(rows))


def _called(device: Device, names: Collection[str]) -> bool:
    known = (device.id, device.label, *device.names, *(one.address for one in device.addresses))
    return any(name in names for name in known)
