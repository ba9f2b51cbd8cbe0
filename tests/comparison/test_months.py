"""Months of a fleet with a hidden truth: random events, random and narrowed scans, rechecks; every word is held against it.

The model beside it is written from the definitions alone: a finding is open, absent or not assessed in a review; what was seen
open stays open until it is assessed absent from where it was seen; a risk acceptance covers what was accepted at its place until
its day, while the device shows something of what identified it. It knows nothing of results, keys or stored rows. Three devices
have one address each, move, and are replaced; the pair has two; left and right are two devices until the inventory says that
they are one. The clock of the scanning machine is set back and forth.
By hand: `HARDENPROBE_STEPS=20000 python -m pytest tests/comparison/test_months.py`.
"""

from __future__ import annotations

import os
import random
import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    precondition,
    rule,
    run_state_machine_as_test,
)

from hardenprobe.comparison.acceptances import Covered, covered
from hardenprobe.comparison.records import OPEN_KINDS, Change, Kind
from hardenprobe.comparison.standing import Standing
from hardenprobe.comparison.stored import Comparison
from hardenprobe.decisions import exceptions
from hardenprobe.lifecycle import device_history, device_lookup
from hardenprobe.store.ledger import Ledger
from hardenprobe.store.opening import opened

STEPS = int(os.environ.get("HARDENPROBE_STEPS", "500"))
IN_A_ROW = 50
TELNET, FTP = "cleartext-telnet", "cleartext-ftp"
SPEAKS = {TELNET: "telnet", FTP: "ftp"}
PORTS = (21, 23, 2121, 2323)
HOMES = [f"192.0.2.{n}" for n in range(20, 26)]
PAIR = ("192.0.2.40", "192.0.2.41")
TWINS = {"left": "192.0.2.50", "right": "192.0.2.51"}
OFFERS = {"left": ("telnet", "refuses", "filtered", "ssh"), "right": ("ftp", "refuses", "filtered", "ssh")}
EVENTS = st.sampled_from([None, None, "move", "replacement", "SNMP", "key"])
Spot = tuple[str | None, int]
"""A port, at an address of a device that has two."""
Mark = tuple[str, str | None]
DOES = ("telnet",) * 3 + ("ftp",) * 3 + ("refuses",) * 6 + ("ssh", "filtered", "mute")
DUE = {"high": 30, "medium": 90, "low": 180}
SOURCES = ("192.0.2.1", "198.51.100.9")


@dataclass
class Line:
    """What is known of one finding."""

    spot: Spot
    first: int
    last: int
    source: str
    since: str | None
    says: dict[int, str] = field(default_factory=dict)
    since_at: dict[int, str | None] = field(default_factory=dict)
    accepted: dict[int, str | None] = field(default_factory=dict)

    def covered(self, number: int) -> str | None:
        """The acceptance that covered it as it was seen last up to a scan."""
        return self.accepted[max(n for n in self.accepted if n <= number)]


@dataclass
class Acceptance:
    """What was accepted, of a device that showed some marks then."""

    id: str
    device: str
    check: str
    spots: set[Spot]
    starts: str
    until: str
    marks: frozenset[Mark]
    expired: bool = False

    def covers(self, name: str, check: str, spot: Spot, marks: frozenset[Mark], day: str) -> bool:
        if (name, check) != (self.device, self.check) or spot not in self.spots or self.expired:
            return False
        return self.starts <= day <= self.until and (not self.marks or bool(self.marks & marks))


@dataclass
class Scanned:
    """What one scan or recheck asked of each device: ports and checks, of those that it went to."""

    id: str
    at: str
    asked: dict[str, tuple[frozenset[Spot], frozenset[str]]]
    source: str
    drops: frozenset[str] = frozenset()
    narrow: bool = False
    homes: dict[str, str] = field(default_factory=dict)
    marks: dict[str, frozenset[Mark]] = field(default_factory=dict)
    recheck: bool = False
    interrupted: bool = False
    met: frozenset[str] = frozenset()
    recorded: frozenset[str] = frozenset()
    missed: frozenset[str] = frozenset()


class Months(RuleBasedStateMachine):
    """The fleet, the events, and the model."""

    make: Callable[..., Any]
    tuned: Callable[..., Any]
    office: Any

    def __init__(self) -> None:
        super().__init__()
        self.stack = ExitStack()
        folder = self.stack.enter_context(tempfile.TemporaryDirectory())
        self.kept = self.stack.enter_context(opened(str(Path(folder) / "store.db")))
        self.world = type(self).make(self.kept)
        self.scans: list[Scanned] = []
        self.lines: dict[tuple[str, str], list[Line]] = {}
        self.names: dict[str, str] = {}
        self.met_both = False  # or one while both were listed: that the pair is one is known
        self.joined = False  # the twins, by a scan that met them while the inventory had them as one
        self.fresh: set[str] = set()  # met since what identifies them, or their address, was changed
        self.accepted: list[Acceptance] = []

    def teardown(self) -> None:
        self.stack.close()

    @initialize(seed=st.integers(0, 2**32))
    def fleet(self, seed: int) -> None:
        self.chance = random.Random(seed)
        for n, name in enumerate(("one", "two", "three")):
            key = None if name == "three" else f"{n}{n}" * 32
            self.world.add(name, HOMES[n], serial=f"S-{n}", key=key, runs={22: "ssh", 23: "telnet"})
        self.world.add("pair", *PAIR, serial="S-9", engine="8000000009", key="99" * 32, runs={22: "ssh"})
        for name, address in TWINS.items():
            self.world.add(name, address, snmp=False, runs={22: "ssh"})
        self.single = ["one", "two", "three"]
        self.number = 3

    # --- events

    @rule()
    def ports_change(self) -> None:
        for box in self.world.boxes.values():
            for address in PAIR if box.name == "pair" else box.addresses:
                for port in PORTS:
                    if self.chance.random() < 0.4:
                        box.runs[address, port] = self.chance.choice(OFFERS.get(box.name, DOES))

    @rule()
    def a_device_goes_or_comes(self) -> None:
        name = self.chance.choice([*self.single, "pair", *TWINS])
        self.world.boxes[name].on = not self.world.boxes[name].on

    @rule(days=st.sampled_from([-70, -12, -2, 25]))
    def the_clock_is_set(self, days: int) -> None:
        self.world.later(days)

    @precondition(lambda self: self.met_both)
    @rule(has=st.sampled_from([PAIR, PAIR, PAIR[:1], PAIR[1:]]))
    def an_address_goes_or_comes(self, has: tuple[str, ...]) -> None:
        """Once both have been met together; before that, nothing tells two addresses from one that changed."""
        self.world.boxes["pair"].addresses = list(has)

    @rule(event=EVENTS)
    def a_device_changes(self, event: str | None) -> None:
        self._change(event)

    def _change(self, event: str | None) -> None:
        """One change of what a device is known by; the next follows when a scan has met it again."""
        name = self.chance.choice([*self.single, "pair"])
        box = self.world.boxes[name]
        if event is None or name not in self.fresh or (name == "pair" and not self.met_both):
            return
        if event == "SNMP":
            box.snmp = not box.snmp
        elif event == "key" and box.key:
            box.key = f"{self.chance.getrandbits(256):064x}"
        elif event == "move" and name != "pair" and self._marks(box):
            taken = [a for other in self.world.boxes.values() for a in other.addresses]
            home = self.chance.choice([a for a in HOMES if a not in taken])
            box.runs = {(home, port): does for (_, port), does in box.runs.items()}
            box.addresses = [home]
        elif event == "replacement" and name != "pair":
            self._replace(name)
        else:
            return
        self.fresh.discard(name)

    def _replace(self, name: str) -> None:
        """Another device at the same address, which shows a serial number of its own; the old one is gone for good."""
        old = self.world.boxes[name]
        if not (old.snmp and old.serial):
            return  # nothing would tell the two apart
        self.number += 1
        new = f"{name.rstrip('0123456789')}{self.number}"
        key = f"{self.chance.getrandbits(256):064x}" if self.chance.random() < 0.5 else None
        self.world.add(new, *old.addresses, serial=f"S-{new}", key=key)
        self.world.boxes[new].runs = dict(old.runs)
        old.on, old.addresses = False, [f"203.0.113.{self.number % 250}"]
        old.runs = {}
        self.single[self.single.index(name)] = new

    def _marks(self, box: Any) -> frozenset[Mark]:
        """What a device shows by which it is known again."""
        shown = [("key", box.key)] if box.key else []
        shown += [("serial", box.serial)] if box.snmp and box.serial else []
        shown += [("engine", box.engine)] if box.snmp and box.engine else []
        return frozenset(shown)

    @rule(tag=st.sampled_from(["P", "Q"]), serial=st.booleans())
    def a_device_is_listed_or_retagged(self, tag: str, serial: bool) -> None:
        """Where it is, with or without its serial number; whatever was listed for it before is taken out."""
        name = self.chance.choice([*self.single, "pair"])
        box = self.world.boxes[name]
        self.world.listed = {
            t: one
            for t, one in self.world.listed.items()
            if not t.endswith(name) and box.addresses[0] not in one.addresses
        }
        addresses = PAIR if name == "pair" else box.addresses
        self.world.list_device(f"{tag}-{name}", *addresses, serial=box.serial if serial else None)

    @rule(tag=st.sampled_from(["P", "Q"]))
    def the_twins_are_listed_as_one_device(self, tag: str) -> None:
        self.world.listed = {t: one for t, one in self.world.listed.items() if not t.endswith("twins")}
        self.world.list_device(f"{tag}-twins", *TWINS.values())

    @rule()
    def a_device_is_listed_no_more(self) -> None:
        name = self.chance.choice([*self.single, "pair", "twins"])
        self.world.listed = {t: one for t, one in self.world.listed.items() if not t.endswith(name)}

    @precondition(
        lambda self: (
            bool(self.scans)
            and not self.scans[-1].recheck
            and self.scans[-1].at[:10] <= f"{self.world.now:%Y-%m-%d}"
        )
    )
    @rule(days=st.sampled_from([5, 20, 29]))
    def a_risk_is_accepted(self, days: int) -> None:
        """Of a finding that the newest scan saw, for some days from today on."""
        found = [
            (name, check, line)
            for (name, check), lines in self.lines.items()
            for line in lines
            if line.says.get(len(self.scans) - 1) == "open"
        ]
        if not found:
            return
        name, check, line = self.chance.choice(found)
        if name == "pair":  # the request names a port, and both addresses may have it
            spots = {one.spot for n, c, one in found if (n, c, one.spot[1]) == (name, check, line.spot[1])}
        else:
            spots = {line.spot}
        made = self.world.accept(self.scans[-1].id, self._id(name), check, days, line.spot[1])
        shown = self.scans[-1].marks[name]
        self.accepted.append(Acceptance(made.id, name, check, spots, made.starts, made.until, shown))

    # --- scans

    @rule(days=st.integers(1, 40), old=st.integers(0, 9))
    def a_scan(self, days: int, old: int) -> None:
        self._scan(days, set(PORTS), (TELNET, FTP), (), (), SOURCES[0], ())
        self._hold_comparison(old)

    @rule(
        days=st.integers(1, 40),
        ports=st.sampled_from([set(PORTS), set(PORTS), {21, 23}, {23, 2323}, {21, 2121, 2323}]),
        only=st.sampled_from([(TELNET, FTP), (TELNET, FTP), (TELNET,), (FTP,)]),
        skipped=st.sampled_from([(), (), (0,), (1, 2)]),
        stopped=st.sampled_from([(), (), (1,)]),
        source=st.sampled_from([SOURCES[0], SOURCES[0], SOURCES[1]]),
        drops=st.sampled_from([(), (), (FTP,)]),
        event=EVENTS,
        old=st.integers(0, 9),
    )
    def a_narrow_scan(
        self,
        days: int,
        ports: set[int],
        only: Any,
        skipped: Any,
        stopped: Any,
        source: str,
        drops: Any,
        event: str | None,
        old: int,
    ) -> None:
        self._change(event)
        self._scan(days, ports, only, skipped, stopped, source, drops)
        self._hold_comparison(old)

    def _scan(
        self, days: int, ports: set[int], only: Any, skipped: Any, stopped: Any, source: str, drops: Any
    ) -> None:
        self.world.later(days)
        at = {name: box.addresses[0] for name, box in self.world.boxes.items()}
        left = [a for number in skipped for a in self.world.boxes[self.single[number]].addresses]
        targets = [a for a in (*HOMES, *PAIR, *TWINS.values()) if a not in left]
        unfinished = [at[self.single[number]] for number in stopped]
        unfinished = [address for address in unfinished if address in targets]
        narrow = ports != set(PORTS) or len(only) < 2
        expected = type(self).tuned("less/1", drop=drops) if drops else type(self).office
        id = self.world.scan(
            ports=(22, 443, *sorted(ports)), only=only, targets=targets, unfinished=unfinished, source=source,
            expected=expected, head={"narrowed": ("ports",)} if narrow else {}, decisions=self.world.decisions(),
        )  # fmt: skip
        if any(tag.endswith("twins") for tag in self.world.listed):
            self.joined = True
        self._hold_ids(id)
        self._remember_expired()
        went = [a for a in targets if a not in unfinished]
        spots = {
            name: frozenset((self._at(name, a), port) for a in box.addresses if a in went for port in ports)
            for name, box in self.world.boxes.items()
        }
        self._learn(
            Scanned(
                id=id, at=self.kept.outline(id).head.started, source=source, drops=frozenset(drops), narrow=narrow,
                asked={name: (some, frozenset(only)) for name, some in spots.items() if some}, homes=at,
                interrupted=bool(unfinished), marks={n: self._marks(box) for n, box in self.world.boxes.items()},
            )
        )  # fmt: skip

    def _at(self, name: str, address: str) -> str | None:
        """The address as a part of a spot: of a device that has one alone, it is none."""
        return address if name in ("pair", *TWINS) else None

    def _name(self, device: str, address: str | None) -> str:
        """Which device of the truth is meant; of the twins it is told by its address."""
        name = self.names[device]
        return next(twin for twin, home in TWINS.items() if home == address) if name in TWINS else name

    def _id(self, name: str) -> str:
        """A device's id, the newest of several."""
        called = ("left", "right") if self.joined and name in TWINS else (name,)
        return next(id for id, known in reversed(self.names.items()) if known in called)

    def _remember_expired(self) -> None:
        """A decision was looked at today, so that the ledger knows what is over."""
        for one in self.accepted:
            one.expired |= one.until < f"{self.world.now:%Y-%m-%d}"

    def _does(self, name: str, spot: Spot) -> str:
        box = self.world.boxes[name]
        does: str = box.runs.get((spot[0] or box.addresses[0], spot[1]), "refuses")
        return does

    def _hold_ids(self, review: str) -> None:
        """Nobody is split, and no two are one."""
        homes = {a: name for name, box in self.world.boxes.items() if box.on for a in box.addresses}
        for device in self.kept.load(review).devices:
            if device.services:
                met = sorted({homes[one.address] for one in device.addresses})
                if self.joined and met[0] in TWINS:
                    assert self.names.setdefault(device.id, met[0]) in TWINS and {*met} <= {*TWINS}
                    continue
                (name,) = met
                assert self.names.setdefault(device.id, name) == name
        assert len(set(self.names.values())) == len(self.names), "a device was split"

    def _learn(self, scan: Scanned) -> None:
        """Bring the model up to date, and hold what is told of the whole against it."""
        number = len(self.scans)
        on = {name for name, box in self.world.boxes.items() if box.on}
        scan.met = frozenset(scan.asked.keys() & on)
        scan.missed = frozenset() if scan.interrupted or scan.recheck else frozenset(scan.asked.keys() - on)
        scan.recorded = frozenset(self.names[id] for id in self.kept.rows(scan.id) if id in self.names)
        self.scans.append(scan)
        if not scan.recheck:
            self.fresh |= scan.met
        if "pair" in scan.met:
            self.met_both |= len({address for address, _ in scan.asked["pair"][0]}) == 2
            self.met_both |= any(tag.endswith("pair") for tag in self.world.listed)
        for name, box in self.world.boxes.items():
            for check, word in SPEAKS.items():
                lines = self.lines.setdefault((name, check), [])
                ports, checks = scan.asked.get(name, (frozenset(), frozenset())) if box.on else ((), ())
                asked = check in checks and check not in scan.drops
                does = {spot: self._does(name, spot) for spot in ports}
                running = {spot for spot, did in does.items() if asked and did == word}
                ended = []
                for line in lines:
                    if line.spot in running:
                        running.remove(line.spot)
                        self._open(line, number, scan, name, check)
                    elif asked and line.source == scan.source and self._absent(line.spot, does, word):
                        ended += [line] if line.since else []
                        line.says[number], line.since_at[number] = "absent", None
                    else:
                        line.says[number], line.since_at[number] = "not assessed", line.since
                        if (check in checks and check in scan.drops) or self._is_left_out(line, name, number):
                            line.says[number] = "not required"
                if len(running) == len(ended) == 1:  # it moved
                    (moved,) = ended
                    moved.spot = running.pop()
                    self._open(moved, number, scan, name, check)
                for line in lines:
                    line.since = line.since_at[number]
                for spot in running:
                    fresh = Line(spot, number, number, scan.source, None)
                    self._open(fresh, number, scan, name, check)
                    fresh.since = fresh.since_at[number]
                    lines.append(fresh)
        self._hold_standing()
        self._hold_trend()
        self._hold_acceptances()
        if self.chance.random() < 0.2:  # it reads every review
            self._hold_history(self.chance.choice(list(self.world.boxes)))

    def _open(self, line: Line, number: int, scan: Scanned, name: str, check: str) -> None:
        line.says[number], line.last, line.source = "open", number, scan.source
        line.since_at[number] = line.since or scan.at
        marks = self._marks(self.world.boxes[name])
        running = [one for one in self.accepted if one.covers(name, check, line.spot, marks, scan.at[:10])]
        line.accepted[number] = max(running, key=lambda one: one.until).id if running else None

    def _is_left_out(self, line: Line, name: str, number: int) -> bool:
        """Whether it was not required before, and no other baseline has judged its device since, met or missed."""
        names = {*TWINS} if self.joined and name in TWINS else {name}
        judged = [scan.drops for scan in self.scans[:number] if names & scan.recorded]
        now = self.scans[number]
        alike = not names & now.recorded or now.drops == judged[-1]
        return line.says[number - 1] == "not required" and alike

    def _absent(self, spot: Spot, does: dict[Spot, str], word: str) -> bool:
        """Whether a port was assessed, and shows nothing of the kind."""
        did = does.get(spot)
        if did in (None, "filtered", "mute"):
            return False
        if did == "refuses":
            return True
        # It speaks something else; a check that finds another port undetermined gives no verdict on the device.
        return word in does.values() or "mute" not in does.values()

    # --- what is held against it

    def _known(self, number: int) -> dict[tuple[str, str, Spot], Line]:
        """What is open after a scan, and required."""
        return {
            (name, check, line.spot): line
            for (name, check), lines in self.lines.items()
            for line in lines
            if line.since_at.get(number) and line.says[number] != "not required"
        }

    def _hold_standing(self) -> None:
        number = len(self.scans) - 1
        found = {}
        for one in Standing(self.kept, self.kept.outline(self.scans[-1].id)).open():
            name = self._name(one.device.id, one.sighting.verdict.address)
            endpoint = one.sighting.verdict.place
            assert endpoint
            spot = self._at(name, one.sighting.verdict.address), endpoint[1]
            key = (name, one.sighting.verdict.check, spot)
            assert key not in found, f"{key} is there twice"
            found[key] = (
                one.dates.first_seen, one.dates.open_since, one.dates.last_seen, one.assessed,
                (one.sighting.verdict.entry["exception"] or {}).get("id"),
            )  # fmt: skip
            since, due = one.dates.open_since, one.dates.due or ""
            assert due == (date.fromisoformat(since[:10]) + timedelta(DUE[str(one.severity)])).isoformat()
            until = one.accepted_until or ""
            assert one.dates.overdue == (due < self.scans[-1].at[:10] > until)
        told = {
            key: (
                self.scans[line.first].at, line.since_at[number], self.scans[line.last].at,
                line.says[number] == "open", line.covered(number),
            )
            for key, line in self._known(number).items()
        }  # fmt: skip
        assert found == told

    def _hold_trend(self) -> None:
        if self.scans[-1].narrow:
            return
        shown = Standing(self.kept, self.kept.outline(self.scans[-1].id)).trend(100)
        wanted = [n for n, scan in enumerate(self.scans) if not scan.narrow]
        assert [one.review for one in shown] == [self.scans[n].id for n in wanted]
        covered = [[bool(line.covered(n)) for line in self._known(n).values()] for n in wanted]
        assert [(sum(one.standing.values()), one.accepted) for one in shown] == [
            (some.count(False), some.count(True)) for some in covered
        ]

    def _hold_acceptances(self) -> None:
        """As `exception list` tells: how many open findings each covers, and that what expired once stays expired."""
        if self.scans[-1].recheck or not self.accepted:
            return
        known = exceptions.read(Ledger(self.kept).entries())
        assert {one.id: one.expired for one in known} == {one.id: one.expired for one in self.accepted}
        number = len(self.scans) - 1
        lines = self._known(number).values()
        told = covered(self.kept, known)
        for one in known:
            wanted = sum(line.covered(number) == one.id for line in lines)
            assert told.get(one.id, Covered()).covers == wanted, one.id

    def _hold_history(self, name: str) -> None:
        """Every review that met the device is in its history, with what was open of it then; and every one that missed it."""
        names = {*TWINS} if self.joined and name in TWINS else {name}
        if names.isdisjoint(self.names.values()):
            return
        told = device_history.events(self.kept, device_lookup.find(self.kept, self._id(name)))
        seen = {one.review: one.facts for one in told if one.what in ("first-seen", "seen")}
        met = {n: scan for n, scan in enumerate(self.scans) if names & scan.met and not scan.recheck}
        assert list(seen) == [scan.id for scan in sorted(met.values(), key=lambda scan: scan.at)]
        for n, scan in met.items():
            lines = [line for (called, *_), line in self._known(n).items() if called in names]
            facts = seen[scan.id]
            assert (sum(facts["standing"].values()), facts["accepted"], facts["not_reassessed"]) == (
                sum(not line.covered(n) for line in lines),
                sum(bool(line.covered(n)) for line in lines),
                sum(line.says[n] != "open" for line in lines),
            )
        missed = {one.review for one in told if one.what == "not-met"}
        assert missed.isdisjoint(scan.id for scan in met.values())
        first = next(iter(met), len(self.scans))
        assert missed >= {s.id for s in self.scans[first:] if names <= s.missed}

    def _hold_comparison(self, back: int) -> None:
        new = len(self.scans) - 1
        before = [n for n, scan in enumerate(self.scans[:-1]) if not scan.recheck]
        if not before:
            return
        old = before[-1 - back % len(before)]
        found: dict[tuple[str, str, Spot], Change] = {}
        comparison = Comparison(self.kept, self.scans[old].id, self.scans[new].id, type(self).office)
        set_back = self.scans[old].at > self.scans[new].at
        assert any("one of the two clocks was wrong" in notice for notice in comparison.notices) == set_back
        for one in comparison.devices():
            for change in one.changes:
                assert change.endpoint
                name = self._name(one.device.id, change.endpoint.address)
                key = (name, change.check, (self._at(name, change.endpoint.address), change.endpoint.port))
                assert key not in found, f"{key} is told twice"
                found[key] = change
        told = {
            (name, check, line.spot): kind
            for (name, check), lines in self.lines.items()
            for line in lines
            if (kind := self._kind(line, old, new))
        }
        assert {key: change.kind for key, change in found.items()} == told
        for key, line in self._known(new).items():
            change = found[key]
            assert change.kind in OPEN_KINDS
            self._hold_overdue(line, change, self.scans[new].at[:10], line.covered(new))
            assert (change.first_seen, change.open_since, change.last_seen) == (
                self.scans[line.first].at, line.since_at[new], self.scans[line.last].at,
            )  # fmt: skip

    def _hold_overdue(self, line: Line, change: Change, today: str, accepted: str | None) -> None:
        until = next((one.until for one in self.accepted if one.id == accepted), "")
        assert change.overdue == ((change.due or "9") < today > until), line

    def _kind(self, line: Line, old: int, new: int) -> Kind | None:
        """What became of a finding, by the definitions."""
        was_open = bool(line.since_at.get(old))
        gone_between = any(line.says.get(n) == "absent" for n in range(max(old, line.first) + 1, new))
        says = line.says[new]
        if says == "open":
            if line.first > old:
                return Kind.NEW
            if not was_open or gone_between:
                return Kind.REOPENED
            if line.says[old] == "open" and bool(line.accepted[old]) != bool(line.accepted[new]):
                return Kind.ACCEPTED if line.accepted[new] else Kind.NOT_ACCEPTED
            return Kind.UNCHANGED
        if says == "absent":
            return Kind.FIXED if was_open else None
        if not line.since_at[new]:
            return None
        if says == "not assessed":
            return Kind.NOT_REASSESSED
        return Kind.NOT_REQUIRED if was_open and line.says.get(old) != "not required" else None

    def _is_recognised(self, name: str, scan: Scanned) -> bool:
        """Whether a device shows something of what a scan knew it by; where that was nothing, its address does."""
        return not scan.marks[name] or bool(scan.marks[name] & self._marks(self.world.boxes[name]))

    def _newest_findings(self) -> dict[str, list[Line]]:
        """What the newest scan saw open and nobody has accepted, by device."""
        number = len(self.scans) - 1
        found: dict[str, list[Line]] = {}
        for (name, _), lines in self.lines.items():
            for line in lines:
                if line.says.get(number) == "open" and not line.accepted[number]:
                    found.setdefault(name, []).append(line)
        return found

    @precondition(lambda self: bool(self.scans) and not self.scans[-1].recheck)
    @rule()
    def a_recheck(self) -> None:
        """Fixed only where it does not run, open only where it does, and determined where nothing hides it."""
        scan, homes = self.scans[-1], {name: box.addresses[0] for name, box in self.world.boxes.items()}
        wanted = self._newest_findings()
        if not wanted:
            return
        self.world.later(1)
        found = self.world.rechecked(scan.id)
        self._remember_expired()
        assert len(found) == sum(map(len, wanted.values()))
        for done in found:
            assert done.endpoint
            check, port = done.check, done.endpoint.port
            address = done.endpoint.address
            name = self._name(done.device, address)
            box = self.world.boxes[name]
            does = self._does(name, (self._at(name, address), port))
            is_there = box.on and address in box.addresses and self._is_recognised(name, scan)
            if not is_there or does in ("filtered", "mute"):
                assert done.standing == "unknown", done
            elif does == SPEAKS[check]:
                assert done.standing == "stands", done
            elif does == "refuses":
                assert done.standing == "gone", done
        asked: dict[str, tuple[frozenset[Spot], frozenset[str]]] = {}
        if self.joined and not wanted.keys().isdisjoint(TWINS):
            ports = {line.spot[1] for name in TWINS for line in wanted.get(name, ())}
            checks = frozenset(
                check
                for (name, check), lines in self.lines.items()
                if name in TWINS and any(line in wanted.get(name, ()) for line in lines)
            )
            for name in scan.met & TWINS.keys():
                asked[name] = frozenset((TWINS[name], port) for port in ports), checks
        for name, lines in wanted.items():
            box = self.world.boxes[name]
            spots = {line.spot for line in lines}
            if name in asked or not self._is_recognised(name, scan):
                continue
            if name == "pair":  # every port that is asked again is asked wherever the device was met
                met = {a for a, _ in scan.asked[name][0]}
                spots = {(a, port) for _, port in spots for a in box.addresses if a in met}
            elif box.addresses[0] != scan.homes[name]:
                continue
            checks = (c for (n, c), of in self.lines.items() if n == name for one in of if one in lines)
            asked[name] = (frozenset(spots), frozenset(checks))
        id = self.kept.reviews()[0].id
        self._learn(
            Scanned(
                id=id, at=self.kept.outline(id).head.started, asked=asked, source=scan.source, narrow=True,
                recheck=True, homes=homes,
            )
        )  # fmt: skip


def _run(world: Any, steps: int) -> None:
    machine = type("Machine", (Months,), world)
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=max(1, steps // IN_A_ROW), stateful_step_count=IN_A_ROW, deadline=None,
            suppress_health_check=list(HealthCheck), derandomize=steps <= 500,
            phases=[Phase.generate], report_multiple_bugs=False,  # a long history takes minutes to shrink
        ),
    )  # fmt: skip


@pytest.mark.slow
@pytest.mark.timeout(0 if STEPS > 500 else 180)
def test_what_is_told_over_months_is_what_is_known(make_world: Any, tuned_baseline: Any, office: Any) -> None:
    _run({"make": staticmethod(make_world), "tuned": staticmethod(tuned_baseline), "office": office}, STEPS)
