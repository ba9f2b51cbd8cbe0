"""What happened to one device over time, out of the reviews and the ledger of a store: one event after the other."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from hardenprobe.comparison.finding_state import (
    Conditions,
    Evidence,
    by_check,
    conditions,
    joined,
    joined_device,
    read,
)
from hardenprobe.comparison.records import Why
from hardenprobe.comparison.stored import course
from hardenprobe.comparison.timelines import Visit, timelines
from hardenprobe.decisions import device_register, exceptions, statements
from hardenprobe.decisions.entry import Entry
from hardenprobe.decisions.inputs import device_of
from hardenprobe.lifecycle.device_lookup import Appearance, Row, appearances, part
from hardenprobe.model import Device, Head, Severity
from hardenprobe.store.ledger import Ledger
from hardenprobe.store.rejudge import reading
from hardenprobe.store.store import Store

FORMAT = "hardenprobe.device-history/1"
SEVERITIES = (Severity.HIGH, Severity.MEDIUM, Severity.LOW)
KEPT_AS = (*device_register.TELLING, "tls-key", "name", "make-model", "firmware")
"""The kinds of identity whose change is an event."""


@dataclass(frozen=True, kw_only=True)
class Event:
    """One thing that happened.

    Attributes:
        at: UTC, ISO 8601.
        what: "first-seen", "seen", "judged-again", "rechecked", "not-met", "moved", "changed", "merged", "accepted", "retired", "exception",
            "exception-ended", "statement" or "statement-ended".
        text: For people; device text in part.
        review, entry: Where it is: id of a review, or number in the ledger.
        facts: The same for programs.
    """

    at: str
    what: str
    text: str
    review: str | None = None
    entry: int | None = None
    facts: Mapping[str, Any] = field(default_factory=dict)


def events(kept: Store, found: Appearance) -> tuple[Event, ...]:
    """The events of a device, the oldest first.

    Raises:
        StoreRefused: A review or the ledger cannot be read.
    """
    entries = Ledger(kept).entries()
    rows = list(appearances(kept, found.device, found.marks, device_register.read(entries)))
    made = list(_of_reviews(kept, rows))
    every = [one.device for row in rows for one in (row, *row.others)]
    made += _of_ledger(entries, [*every, found.device], found.marks)
    order = sorted(enumerate(made), key=lambda one: (_moment(one[1].at), one[0]))
    return tuple(event for _, event in order)


def _of_reviews(kept: Store, rows: Sequence[Row]) -> Iterator[Event]:
    counts = _counts(kept, rows)
    before: Device | None = None
    absent = _absences(kept, rows)
    merged: frozenset[str] = frozenset()
    for row in rows:
        head = kept.outline(row.review).head
        if row.device.ids - merged and row.device.formerly:
            yield _merged(row, head)
            merged = row.device.ids
        row = replace(row, device=joined_device([one.device for one in (row, *row.others)]))
        yield from absent.pop(row.review, ())
        if head.rechecks:
            yield _rechecked(row, head)
            continue
        if head.judged_from:
            yield _seen(row, _judged_at(head), "judged-again", counts[row.review], head)
            continue
        if not row.device.services:
            yield Event(at=head.started, what="not-met", text="looked for and not met", review=row.review)
            continue
        if before is not None:
            yield from _changes(before, row.device, head.started, row.review)
        yield _seen(row, head.started, "seen" if before else "first-seen", counts[row.review], head)
        before = row.device
    yield from absent.pop("", ())


def _absences(kept: Store, rows: Sequence[Row]) -> dict[str, list[Event]]:
    """The scans of the same scope that should have met the device, and did not: by the next review that has it, "" for none."""
    if not rows:
        return {}
    has = {row.review: row.device for row in rows}
    scope = kept.outline(rows[-1].review).head.scope
    found: dict[str, list[Event]] = {}
    waiting: list[Event] = []
    last: Device | None = None
    for review in kept.of_scope(scope):
        if review in has:
            last = has[review]
            found[review], waiting = waiting, []
            continue
        outline = kept.outline(review) if last else None
        if last is None or outline is None or outline.head.judged_from or outline.head.rechecks:
            continue
        cause = conditions(outline).not_met(last)
        if cause.why is Why.NOT_REACHED:
            waiting.append(
                Event(at=outline.head.started, what="not-met", text=f"not met: {cause.text}", review=review)
            )
    return {**found, "": waiting}


def _merged(row: Row, head: Head) -> Event:
    others = ", ".join(row.device.formerly)
    return Event(
        at=head.started,
        what="merged",
        text=f"the same device as {others} of earlier reviews, whose dates and decisions go on here",
        review=row.review,
        facts={"device": row.device.id, "formerly": list(row.device.formerly)},
    )


def _rechecked(row: Row, head: Head) -> Event:
    """What it says of the rest of the device is nothing, so it counts no findings."""
    mine = tuple(one.finding for one in head.rechecked if one.device in row.device.ids)
    number = f"{len(mine)} finding{'' if len(mine) == 1 else 's'}"
    again = head.judged_from is not None
    did = "judged again what was asked" if again else "asked again"
    return Event(
        at=_judged_at(head) if again else head.started,
        what="judged-again" if again else "rechecked",
        review=row.review,
        text=f"{did} about {number} of review {head.rechecks}; nothing else was looked at",
        facts={"review": head.rechecks, "findings": list(mine)},
    )


@dataclass(frozen=True, kw_only=True)
class _Counts:
    """What was open of the device when a review was made.

    Attributes:
        open: Open findings by severity; those with a risk acceptance under "accepted".
        carried: How many of them are open by an earlier review alone.
    """

    open: Counter[str]
    carried: int = 0


def _seen(row: Row, at: str, what: str, counts: _Counts, head: Head) -> Event:
    worst = next((str(word) for word in SEVERITIES if counts.open[word]), None)
    standing = ", ".join(f"{counts.open[word]} {word}" for word in SEVERITIES)
    addresses = [one.address for one in row.device.addresses]
    baseline = row.device.baseline.name if row.device.baseline else "no baseline"
    said = {
        "first-seen": f"first seen at {', '.join(addresses)} as {row.device.label}",
        "seen": f"seen at {', '.join(addresses)}",
        "judged-again": "judged again",
    }[what]
    accepted = f", {counts.open['accepted']} with an exception" if counts.open["accepted"] else ""
    carried = f", {counts.carried} of them not reassessed" if counts.carried else ""
    nothing = "nothing open among what was assessed" if head.narrow else "no open findings"
    return Event(
        at=at,
        what=what,
        text=f"{said}; by {baseline}: {'worst ' + worst if worst else nothing} ({standing}{accepted}{carried})",
        review=row.review,
        facts={
            "addresses": addresses,
            "baseline": baseline,
            "worst": worst,
            "standing": {str(word): counts.open[word] for word in SEVERITIES},
            "accepted": counts.open["accepted"],
            "not_reassessed": counts.carried,
        },
    )


def _counts(kept: Store, rows: Sequence[Row]) -> dict[str, _Counts]:
    """What was open after each review; of one that was judged again, what it says itself."""
    visits = course([_visit(kept, row) for row in rows])
    over_time = [visit for visit in visits if kept.outline(visit.review).head.judged_from is None]
    found = {visit.review: _Counts(open=_of_one(visit)) for visit in visits}
    with reading(kept, rows[-1].review if rows else ""):
        lines = timelines(over_time)
    for number, visit in enumerate(over_time):
        counts: Counter[str] = Counter()
        carried = 0
        for line in lines:
            if line.is_open(number):
                counts[_weight(line.sight_until(number).verdict.entry)] += 1
                carried += number not in line.sights
        found[visit.review] = _Counts(open=counts, carried=carried)
    return found


def _visit(kept: Store, row: Row) -> tuple[str, Conditions, Evidence]:
    made = conditions(kept.outline(row.review))
    parts = [_evidence(kept, one, made) for one in (row, *row.others)]
    return row.review, made, joined(parts)


def _evidence(kept: Store, row: Row, made: Conditions) -> Evidence:
    def observations() -> list[Any]:
        with reading(kept, row.review):
            found: list[Any] = json.loads(part(kept, row.review, row.device.id).observations)
            return found

    with reading(kept, row.review):
        results = by_check(map(read, json.loads(row.results)))
    return Evidence(results=results, conditions=made, device=lambda: row.device, observations=observations)


def _of_one(visit: Visit) -> Counter[str]:
    return Counter(_weight(sight.verdict.entry) for sight in visit.open.values())


def _weight(entry: Mapping[str, Any]) -> str:
    return "accepted" if entry["exception"] else str(entry["severity"])


def _changes(before: Device, now: Device, at: str, review: str) -> Iterator[Event]:
    """What is another than it was; what one scan did not see is no change."""
    was, has = ([one.address for one in device.addresses] for device in (before, now))
    if set(was) != set(has):
        yield Event(
            at=at, what="moved", text=f"address moved from {', '.join(was)} to {', '.join(has)}", review=review,
            facts={"from": was, "to": has},
        )  # fmt: skip
    for kind in KEPT_AS:
        old, new = (sorted({i.value for i in d.identity if i.kind == kind}) for d in (before, now))
        if old and new and set(old).isdisjoint(new):
            yield Event(
                at=at, what="changed", text=f"{kind} changed from {', '.join(old)} to {', '.join(new)}", review=review,
                facts={"kind": kind, "from": old, "to": new},
            )  # fmt: skip
    if before.id != now.id:
        yield Event(
            at=at, what="changed", text=f"id changed from {before.id} to {now.id}", review=review,
            facts={"kind": "id", "from": [before.id], "to": [now.id]},
        )  # fmt: skip


def _of_ledger(
    entries: Sequence[Entry], devices: Sequence[Device], own: device_register.Marks
) -> Iterator[Event]:
    """What people decided and declared of the device: of it alone, of its tags, or of the whole fleet.

    Args:
        devices: The device as each review has it.
        own: What tells it apart.
    """
    ids, tags = {one.id for one in devices}, {tag for one in devices for tag in one.tags}
    mine = {
        one.id: one.about
        for one in exceptions.read(entries)
        if one.device in ids or (one.tag and one.tag in tags)
    }
    mine |= {
        one.id: f"{one.control} of {one.about}: {one.answer}"
        for one in statements.read(entries)
        if (one.device and device_of(one.device, devices))
        or (one.device is None and (one.tag is None or one.tag in tags))
    }
    every = {
        mark
        for one in devices
        for mark in device_register.telling(one.identity)
        if mark[0] in device_register.STRONG
    }
    marks = tuple(every.union(own))
    for entry in entries:
        said = _said(entry, mine, _concerns(entry, ids, marks))
        if said:
            what, text = said
            yield Event(
                at=entry.at, what=what, text=text, entry=entry.number,
                facts={"subject": entry.subject, **_words(entry)},
            )  # fmt: skip


def _concerns(entry: Entry, ids: set[str], marks: device_register.Marks) -> bool:
    """Whether a step of a history belongs to this device."""
    if entry.kind not in (device_register.ACCEPTED, device_register.RETIRED):
        return False
    if entry.body["device"] in ids:
        return True
    theirs = tuple((kind, value) for kind, value in entry.body["marks"])
    return bool(set(marks).intersection(theirs)) and not device_register.differ(marks, theirs)


def _said(entry: Entry, mine: Mapping[str, str], own: bool) -> tuple[str, str] | None:
    body, name = entry.body, entry.subject
    if own and entry.kind == device_register.ACCEPTED:
        return (
            "accepted",
            f"accepted ({name}) by {body['accepted_by']}, asked by {body['requested_by']}: {body['reason']}",
        )
    if own and entry.kind == device_register.RETIRED:
        return "retired", f"retired ({name}) by {body['answers']['by']}: {body['answers']['reason']}"
    if name not in mine:
        return None
    if entry.kind == exceptions.KIND:
        return (
            "exception",
            f"exception {name}, {mine[name]}, until {body['until']}, approved by {body['approved_by']}",
        )
    if entry.kind == statements.KIND:
        return "statement", f"statement {name}, {mine[name]}, by {body['by']}, until {body['until']}"
    if entry.kind == exceptions.EXPIRED:
        return "exception-ended", f"exception {name} expired on {body['until']}"
    if entry.kind in (exceptions.END, statements.END):
        kind = entry.kind.removesuffix("-end")
        return f"{kind}-ended", f"{kind} {name} ended by {body['by']}: {body['reason']}"
    return None


def _words(entry: Entry) -> dict[str, Any]:
    """The short values of an entry."""
    return {key: value for key, value in entry.body.items() if isinstance(value, str | int) and value != ""}


def _judged_at(head: Head) -> str:
    """When a review was judged again, which its id begins with; when it was seen where that says nothing."""
    found = re.match(r"(\d{4})(\d\d)(\d\d)-(\d\d)(\d\d)(\d\d)-", head.id)
    return "{}-{}-{}T{}:{}:{}Z".format(*found.groups()) if found else head.started


def _moment(at: str) -> float:
    try:
        return datetime.fromisoformat(at).timestamp()
    except ValueError:
        return 0.0
