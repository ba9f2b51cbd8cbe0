"""A device's way into and out of the fleet, as the ledger keeps it: accepted, retired, perhaps accepted again.

A device is known again by what tells it apart, since addresses move, and an id can rest on an inventory that no longer
lists the device.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from hardenprobe.decisions.entry import Entry, understood
from hardenprobe.model import Device, Identity, RetiredSeen

ACCEPTED, RETIRED = "acceptance", "retirement"
SEEN_AGAIN = ", and is seen again"  # in every notice of a retired device that answers
STILL_LISTED = ", and the inventory still lists it"

STRONG = ("serial", "asset-tag")
"""The kinds of identity that one device alone has."""
TELLING = (*STRONG, "printer-uuid", "engine-id", "host-key")
"""The kinds that may tell a device apart, the most telling first: those after the strong ones are cloned at times."""

Marks = tuple[tuple[str, str], ...]
"""Kind and value."""


@dataclass(frozen=True, kw_only=True)
class LifecycleEvent:
    """One step of a device's way.

    Attributes:
        id: "A-1" for an acceptance, "R-1" for a retirement.
        number: Of its entry in the ledger.
        kind: ACCEPTED or RETIRED.
        on: Day (UTC).
        device: The device's id then.
        marks: What identified it then.
        body: All that was kept.
    """

    id: str
    number: int
    kind: str
    on: str
    device: str
    label: str
    marks: Marks
    body: Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class MetDevice:
    """A device of a review, as far as it must be known again.

    Attributes:
        present: It answered; False for a listed one that was looked for in vain.
        turn: The last step of its way, None where the ledger holds none.
        known_by: What tells that; see records_fleet.RetiredSeen.
    """

    device: str
    label: str
    addresses: tuple[str, ...]
    present: bool
    turn: LifecycleEvent | None
    known_by: str


def read(entries: Iterable[Entry]) -> tuple[LifecycleEvent, ...]:
    """The steps that a ledger holds, the oldest first.

    Raises:
        StoreRefused: An entry cannot be understood.
    """
    found = []
    for entry in entries:
        if entry.kind in (ACCEPTED, RETIRED):
            with understood():
                found.append(
                    LifecycleEvent(
                        id=entry.subject,
                        number=entry.number,
                        kind=entry.kind,
                        on=entry.at[:10],
                        device=str(entry.body["device"]),
                        label=str(entry.body["label"]),
                        marks=tuple((str(kind), str(value)) for kind, value in entry.body["marks"]),
                        body=entry.body,
                    )
                )
    return tuple(found)


def telling(identity: Iterable[Identity]) -> Marks:
    """What may tell a device apart, the most telling first."""
    found = {(one.kind, one.value) for one in identity if one.kind in TELLING}
    return tuple(sorted(found, key=lambda mark: (TELLING.index(mark[0]), mark[1])))


def own(marks: Marks, fleet: Iterable[Marks]) -> Marks:
    """Those of a device's marks that no other device of its fleet bears.

    Args:
        fleet: The marks of every device, this one among them.
    """
    count = Counter(mark for one in fleet for mark in one)
    return tuple(mark for mark in marks if mark[0] in STRONG or count[mark] <= 1)


class Register:
    """Finds the last step of a device's way."""

    def __init__(self, turns: Iterable[LifecycleEvent]) -> None:
        self._by_id: dict[str, list[LifecycleEvent]] = defaultdict(list)
        self._by_mark: dict[tuple[str, str], list[LifecycleEvent]] = defaultdict(list)
        for turn in turns:
            self._by_id[turn.device].append(turn)
            for mark in turn.marks:
                self._by_mark[mark].append(turn)

    def of(self, devices: Iterable[str], marks: Marks) -> tuple[LifecycleEvent, str] | None:
        """The last step of a device that has one of these ids or marks, and what tells that it is the same.

        Two devices whose serials differ are two, whatever else they share.
        """
        found = {turn.number: turn for device in devices for turn in self._by_id.get(device, ())}
        found |= {turn.number: turn for mark in marks for turn in self._by_mark.get(mark, ())}
        for number in sorted(found, reverse=True):
            if not differ(marks, found[number].marks):
                shared = set(found[number].marks)
                return found[number], next((kind for kind, value in marks if (kind, value) in shared), "id")
        return None

    def met(self, device: Device, *, present: bool) -> MetDevice:
        """A device with the last step of its way."""
        turn, known_by = self.of(device.ids, telling(device.identity)) or (None, "")
        return MetDevice(
            device=device.id,
            label=device.label,
            addresses=tuple(one.address for one in device.addresses),
            present=present,
            turn=turn,
            known_by=known_by,
        )


def differ(one: Marks, other: Marks) -> bool:
    """Tell whether two devices have serials, and none in common."""
    mine, theirs = ({value for kind, value in marks if kind == "serial"} for marks in (one, other))
    return bool(mine and theirs and mine.isdisjoint(theirs))


def reconciled(met: Iterable[MetDevice], turns: Iterable[LifecycleEvent]) -> dict[str, Any]:
    """The fields of a review's coverage that say which of its devices were accepted, and which were retired."""
    here = [one for one in met if one.present]
    fields: dict[str, Any] = {
        "retired_seen": tuple(
            RetiredSeen(
                device=one.device,
                label=turn.label,
                addresses=one.addresses,
                retired_on=turn.on,
                entry=turn.id,
                known_by=one.known_by,
            )
            for one, turn in _retired(here)
        ),
        "accepted": (),
        "not_accepted": (),
    }
    if any(turn.kind == ACCEPTED for turn in turns):
        accepted = {one.device for one in here if one.turn and one.turn.kind == ACCEPTED}
        fields["accepted"] = tuple(one.device for one in here if one.device in accepted)
        fields["not_accepted"] = tuple(one.device for one in here if one.device not in accepted)
    return fields


def notices(met: Iterable[MetDevice]) -> list[str]:
    """A sentence for each retired device that answers, or that the inventory still lists."""
    everybody = list(met)
    said = [
        f"{turn.label} was retired on {turn.on} ({turn.id}){SEEN_AGAIN} at {', '.join(one.addresses)}, known by its "
        + (
            one.known_by
            if one.known_by != "id"
            else "name or address alone, so that it may be another device"
        )
        for one, turn in _retired(one for one in everybody if one.present)
    ]
    said += [
        f"{turn.label} was retired on {turn.on} ({turn.id}){STILL_LISTED} as {one.label}; take it out of the inventory"
        for one, turn in _retired(one for one in everybody if not one.present)
    ]
    return said


def _retired(met: Iterable[MetDevice]) -> list[tuple[MetDevice, LifecycleEvent]]:
    """The retired ones; of several that share a mark with one retirement, those with the strongest mark."""
    found = [(one, one.turn) for one in met if one.turn and one.turn.kind == RETIRED]
    strong = {turn.id for one, turn in found if one.known_by in STRONG}
    return [(one, turn) for one, turn in found if turn.id not in strong or one.known_by in STRONG]
