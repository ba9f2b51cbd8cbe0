"""What a review tells of a finding, be it there or not: a check that passes says so of the device as a whole, and one that
was not asked says nothing. That nothing was said of a finding is never taken for its end."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from hardenprobe.comparison.records import Cause, Why
from hardenprobe.model import (
    INVENTORY,
    NOT_PLANNED,
    REASONS,
    UNTOLD,
    Device,
    Reason,
    Review,
    State,
    Vantage,
    Word,
)

Tells = Literal["there", "gone", "untold"]

_WHY = {
    Reason.SILENT: Why.NOT_REACHED,
    Reason.DROPPED: Why.NOT_REACHED,
    Reason.CEILING: Why.NOT_REACHED,
    Reason.OFF_LINK: Why.NOT_REACHED,
    Reason.WINDOW: Why.NOT_ASKED,
    Reason.SCOPE: Why.NOT_ASKED,
    Reason.REACH: Why.NOT_ASKED,
    Reason.NO_CREDENTIAL: Why.NOT_ASKED,
}


class Told(NamedTuple):
    """The part of a result that says what is told of what; `place` is transport, port, server name and path."""

    finding: str
    check: str
    address: str | None
    place: tuple[str, int, str | None, str | None] | None
    subject: str | None
    word: str
    reason: str | None
    vantage: str


def read(entry: Mapping[str, Any]) -> Told:
    """Take an entry of a review's results.

    Raises:
        KeyError, TypeError: It is none.
    """
    where = entry["endpoint"]
    return Told(
        finding=entry["finding"],
        check=entry["check"],
        address=where["address"] if where else None,
        place=(where["transport"], where["port"], where["server_name"], where["path"]) if where else None,
        subject=entry["subject"],
        word=entry["result"],
        reason=entry["reason"],
        vantage=entry["vantage"],
    )


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What a review set out to ask, and of whom it says why it was not met.

    Attributes:
        missed: Asset tag to why.
        unfinished: Addresses that the scan did not come to.
    """

    selected: frozenset[str]
    ports: Mapping[str, frozenset[int]]
    vantages: tuple[Vantage, ...]
    missed: Mapping[str, str]
    unfinished: frozenset[str]

    def met_not(self, device: Device) -> Cause:
        """Why a device of the other review is not in this one."""
        why = self.missed.get(device.asset_tag or "")
        if why == NOT_PLANNED:
            return Cause(why=Why.NOT_ASKED, text="the device's addresses were not among those asked")
        if why:
            return Cause(why=Why.NOT_REACHED, text=f"the device was not met: {why}")
        if any(one.address in self.unfinished for one in device.addresses):
            return Cause(why=Why.NOT_ASKED, text="the scan ended before it came to the device")
        return Cause(why=Why.NOT_REACHED, text="no device that shows itself to be this one was met")

    def from_elsewhere(self, vantage: str, other: Asked) -> bool:
        """Tell whether what `other` asked from a vantage point was not asked from there here."""
        if vantage == INVENTORY:
            return False
        source = next((one.source for one in other.vantages if one.name == vantage), None)
        return not any(one.name == vantage or (source and one.source == source) for one in self.vantages)


def asked(outline: Review) -> Asked:
    """Read it from a review's head."""
    coverage = outline.coverage
    return Asked(
        selected=frozenset(outline.head.selected),
        ports={"tcp": frozenset(coverage.tcp_ports), "udp": frozenset(coverage.udp_ports)},
        vantages=outline.vantages,
        missed={one.asset_tag: one.why for one in coverage.listed_not_seen},
        unfinished=frozenset(coverage.unfinished),
    )


@dataclass(frozen=True)
class Said:
    """What a review says of one device: its results by check, and, read when it is needed, the device's record."""

    results: Mapping[str, Sequence[Told]]
    record: Callable[[], Device]

    def port(self, one: Told) -> str | None:
        """What the port of a finding does: "settled" where it refuses or what it speaks is known, else its state."""
        assert one.place
        at = [s for s in self.record().services if (s.transport, s.port) == one.place[:2]]
        if len(at) > 1:
            at = [s for s in at if s.address == one.address] or at
        unsettled = (
            s for s in at if s.state is State.SILENT or (s.state is State.ACCEPTING and not s.protocol)
        )
        return next((str(s.state) for s in unsettled), "settled" if at else None)


def state(one: Told, said: Said, asked: Asked, other: Asked) -> tuple[Tells, Cause | None]:
    """What a review tells of a finding of another review.

    Args:
        one: The finding.
        said: What the review says of the same device.
        asked: What that review asked.
        other: What the review asked that holds the finding.

    Returns:
        What it tells, and why it tells nothing where it does not.
    """
    there = said.results.get(one.check, ())
    exact = [told for told in there if told.finding == one.finding]
    if any(told.word == Word.FAIL for told in exact):
        return "there", None
    near = exact or [told for told in there if covers(told, one)]
    for told in near:
        if told.word in UNTOLD:
            return "untold", untold(told)
    if not near and (cause := _not_looked(one, there, said, asked)):
        return "untold", cause
    if asked.from_elsewhere(one.vantage, other):
        return "untold", Cause(why=Why.VANTAGE, text=f"nobody asked from {one.vantage}, where it was seen")
    return "gone", None


def covers(told: Told, one: Told) -> bool:
    """Whether a result speaks of the place of a finding: of the same port, or of the device as a whole."""
    if told.place is None or one.place is None:
        return True
    return told.place[:2] == one.place[:2]


def _not_looked(one: Told, there: Sequence[Told], said: Said, asked: Asked) -> Cause | None:
    """Why nothing is told of a place, None where what it does is known and the check found no fault with it."""
    if not there:
        if one.check not in asked.selected:
            return Cause(why=Why.NOT_ASKED, text=f"the check {one.check} was not asked for")
        return Cause(why=Why.NOT_CLEAR, text=f"the check {one.check} said nothing of the device")
    if one.place and (ports := asked.ports.get(one.place[0])) and one.place[1] not in ports:
        return Cause(why=Why.NOT_ASKED, text=f"port {one.place[0].upper()} {one.place[1]} was not looked at")
    if all(told.word in UNTOLD for told in there):
        return untold(there[0])
    does = said.port(one) if one.place else "settled"
    if does == "settled":
        return None
    spot = f"{one.place[0].upper()} {one.place[1]}" if one.place else ""
    if does == State.SILENT:
        return Cause(why=Why.NOT_REACHED, text=f"{spot} is silent")
    text = f"{spot} accepts, and what it speaks is not known" if does else f"nothing tells what {spot} does"
    return Cause(why=Why.NOT_CLEAR, text=text)


def untold(told: Told) -> Cause:
    """Why a result could not be told."""
    if told.word == Word.NOTSELECTED:
        return Cause(why=Why.NOT_ASKED, text=f"the check {told.check} was left out")
    reason = Reason(told.reason) if told.reason else None
    why = _WHY.get(reason, Why.NOT_CLEAR) if reason else Why.NOT_CLEAR
    if told.word == Word.NOTCHECKED:
        why = Why.NOT_ASKED
    return Cause(why=why, text=REASONS[reason])


def by_check(entries: Iterable[Told]) -> dict[str, list[Told]]:
    """Results by their check."""
    found: dict[str, list[Told]] = {}
    for one in entries:
        found.setdefault(one.check, []).append(one)
    return found
