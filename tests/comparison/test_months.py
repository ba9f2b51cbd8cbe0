"""Months of a fleet with a hidden truth: random events, random and narrowed scans, rechecks; every word is held against it.

The model beside it is written from the definitions alone: a finding is open, absent or not assessed in a review; what was seen
open stays open until it is assessed absent from where it was seen; a risk acceptance covers what was accepted at its place until
its day. It knows nothing of results, keys or stored rows. Three devices have one address each and move; the fourth has two.
By hand: `HARDENPROBE_STEPS=20000 python -m pytest tests/comparison/test_months.py`.
"""

from __future__ import annotations

import os
import random
import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
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

from hardenprobe.comparison.records import OPEN_KINDS, Change, Kind
from hardenprobe.comparison.standing import Standing
from hardenprobe.lifecycle import device_history, device_lookup
from hardenprobe.store.opening import opened

STEPS = int(os.environ.get("HARDENPROBE_STEPS", "500"))
IN_A_ROW = 50
TELNET, FTP = "cleartext-telnet", "cleartext-ftp"
SPEAKS = {TELNET: "telnet", FTP: "ftp"}
PORTS = (21, 23, 2121, 2323)
HOMES = [f"192.0.2.{n}" for n in range(20, 26)]
PAIR = ("192.0.2.40", "192.0.2.41")
MOVABLE = st.sampled_from(["one", "two", "three"])
NAMES = st.sampled_from(["one", "two", "three", "pair"])
Spot = tuple[str | None, int]
"""A port, at an address of the device that has two."""
DOES = ("telnet",) * 3 + ("ftp",) * 3 + ("refuses",) * 6 + ("ssh", "filtered", "mute")
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
    accepted: dict[int, bool] = field(default_factory=dict)

    def covered(self, number: int) -> bool:
        """Whether an acceptance covered it as it was seen last up to a scan."""
        return self.accepted[max(n for n in self.accepted if n <= number)]


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
    recheck: bool = False
    interrupted: bool = False
    met: frozenset[str] = frozenset()
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
        self.met_both = False
        self.accepted: list[tuple[str, str, Spot, str]] = []  # device, check, spot and last day

    def teardown(self) -> None:
        self.stack.close()

    @initialize(seed=st.integers(0, 2**32))
    def fleet(self, seed: int) -> None:
        self.chance = random.Random(seed)
        for n, name in enumerate(("one", "two", "three")):
            key = None if name == "three" else f"{n}{n}" * 32
            self.world.add(name, HOMES[n], serial=f"S-{n}", key=key, runs={22: "ssh", 23: "telnet"})
        self.world.add("pair", *PAIR, serial="S-9", engine="8000000009", key="99" * 32, runs={22: "ssh"})

    # --- events

    @rule()
    def ports_change(self) -> None:
        for box in self.world.boxes.values():
            for address in PAIR if box.name == "pair" else box.addresses:
                for port in PORTS:
                    if self.chance.random() < 0.4:
                        box.runs[address, port] = self.chance.choice(DOES)

    @rule(name=NAMES)
    def a_device_goes_or_comes(self, name: str) -> None:
        self.world.boxes[name].on = not self.world.boxes[name].on

    @precondition(lambda self: self.met_both)
    @rule(has=st.sampled_from([PAIR, PAIR, PAIR[:1], PAIR[1:]]))
    def an_address_goes_or_comes(self, has: tuple[str, ...]) -> None:
        """Once both have been met together; before that, nothing tells two addresses from one that changed."""
        self.world.boxes["pair"].addresses = list(has)

    @rule(name=MOVABLE, home=st.sampled_from(HOMES))
    def a_device_moves(self, name: str, home: str) -> None:
        if any(home in box.addresses for box in self.world.boxes.values()):
            return
        box = self.world.boxes[name]
        box.runs = {(home, port): does for (_, port), does in box.runs.items()}
        box.addresses = [home]

    @rule(name=st.sampled_from(["one", "two"]), on=st.booleans())
    def snmp_is_switched(self, name: str, on: bool) -> None:
        """Of a device that shows a key, too; one that shows nothing else is lost when it moves."""
        self.world.boxes[name].snmp = on

    @rule(name=NAMES, tag=st.sampled_from(["P", "Q"]), serial=st.booleans())
    def a_device_is_listed_or_retagged(self, name: str, tag: str, serial: bool) -> None:
        """Where it is, with or without its serial number; whatever was listed for it before is taken out."""
        box = self.world.boxes[name]
        self.world.listed = {
            t: one
            for t, one in self.world.listed.items()
            if not t.endswith(name) and box.addresses[0] not in one.addresses
        }
        addresses = PAIR if name == "pair" else box.addresses
        self.world.list_device(f"{tag}-{name}", *addresses, serial=box.serial if serial else None)

    @rule(name=NAMES)
    def a_device_is_listed_no_more(self, name: str) -> None:
        self.world.listed = {t: one for t, one in self.world.listed.items() if not t.endswith(name)}

    @precondition(lambda self: bool(self.scans) and not self.scans[-1].recheck)
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
        device = next(id for id, called in self.names.items() if called == name)
        until = self.world.accept(self.scans[-1].id, device, check, days, line.spot[1]).until
        self.accepted += [(name, check, spot, until) for spot in spots]

    # --- scans

    @rule(days=st.integers(1, 40), old=st.integers(0, 9))
    def a_scan(self, days: int, old: int) -> None:
        self._scan(days, set(PORTS), (TELNET, FTP), (), (), SOURCES[0], ())
        self._hold_comparison(old)

    @rule(
        days=st.integers(1, 40),
        ports=st.sampled_from([set(PORTS), set(PORTS), {21, 23}, {23, 2323}, {21, 2121, 2323}]),
        only=st.sampled_from([(TELNET, FTP), (TELNET, FTP), (TELNET,), (FTP,)]),
        skipped=st.sampled_from([(), (), ("one",), ("two", "three")]),
        stopped=st.sampled_from([(), (), ("two",)]),
        source=st.sampled_from([SOURCES[0], SOURCES[0], SOURCES[1]]),
        drops=st.sampled_from([(), (), (FTP,)]),
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
        old: int,
    ) -> None:
        self._scan(days, ports, only, skipped, stopped, source, drops)
        self._hold_comparison(old)

    def _scan(
        self, days: int, ports: set[int], only: Any, skipped: Any, stopped: Any, source: str, drops: Any
    ) -> None:
        self.world.later(days)
        at = {name: box.addresses[0] for name, box in self.world.boxes.items()}
        left = [a for name in skipped for a in self.world.boxes[name].addresses]
        targets = [a for a in (*HOMES, *PAIR) if a not in left]
        unfinished = [at[name] for name in stopped if at[name] in targets]
        narrow = ports != set(PORTS) or len(only) < 2
        expected = type(self).tuned("less/1", drop=drops) if drops else type(self).office
        id = self.world.scan(
            ports=(22, 443, *sorted(ports)), only=only, targets=targets, unfinished=unfinished, source=source,
            expected=expected, head={"narrowed": ("ports",)} if narrow else {}, decisions=self.world.decisions(),
        )  # fmt: skip
        self._hold_ids(id)
        went = [a for a in targets if a not in unfinished]
        spots = {
            name: frozenset((self._at(name, a), port) for a in box.addresses if a in went for port in ports)
            for name, box in self.world.boxes.items()
        }
        self._learn(
            Scanned(
                id=id, at=self.kept.outline(id).head.started, source=source, drops=frozenset(drops), narrow=narrow,
                asked={name: (some, frozenset(only)) for name, some in spots.items() if some}, homes=at,
                interrupted=bool(unfinished),
            )
        )  # fmt: skip

    def _at(self, name: str, address: str) -> str | None:
        """The address as a part of a spot: of a device that has one alone, it is none."""
        return address if name == "pair" else None

    def _does(self, name: str, spot: Spot) -> str:
        box = self.world.boxes[name]
        does: str = box.runs.get((spot[0] or box.addresses[0], spot[1]), "refuses")
        return does

    def _hold_ids(self, review: str) -> None:
        """Nobody is split, and no two are one."""
        homes = {a: name for name, box in self.world.boxes.items() if box.on for a in box.addresses}
        for device in self.kept.load(review).devices:
            if device.services:
                (name,) = {homes[one.address] for one in device.addresses}
                assert self.names.setdefault(device.id, name) == name
        assert len(set(self.names.values())) == len(self.names), "a device was split"

    def _learn(self, scan: Scanned) -> None:
        """Bring the model up to date, and hold what is told of the whole against it."""
        number = len(self.scans)
        on = {name for name, box in self.world.boxes.items() if box.on}
        scan.met = frozenset(scan.asked.keys() & on)
        scan.missed = frozenset() if scan.interrupted or scan.recheck else frozenset(scan.asked.keys() - on)
        self.scans.append(scan)
        if "pair" in scan.met:
            self.met_both |= len({address for address, _ in scan.asked["pair"][0]}) == 2
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
                        required = not (check in checks and check in scan.drops)
                        line.says[number] = "not assessed" if required else "not required"
                        line.since_at[number] = line.since
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
        if self.chance.random() < 0.2:  # it reads every review
            self._hold_history(self.chance.choice(list(self.world.boxes)))

    def _open(self, line: Line, number: int, scan: Scanned, name: str, check: str) -> None:
        line.says[number], line.last, line.source = "open", number, scan.source
        line.since_at[number] = line.since or scan.at
        line.accepted[number] = any(
            (name, check, line.spot) == (n, c, spot) and until >= scan.at[:10]
            for n, c, spot, until in self.accepted
        )

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
            name = self.names[one.device.id]
            endpoint = one.sighting.verdict.place
            assert endpoint
            spot = self._at(name, one.sighting.verdict.address), endpoint[1]
            key = (name, one.sighting.verdict.check, spot)
            assert key not in found, f"{key} is there twice"
            found[key] = (
                one.dates.first_seen, one.dates.open_since, one.dates.last_seen, one.assessed,
                one.accepted_until is not None,
            )  # fmt: skip
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
        covered = [[line.covered(n) for line in self._known(n).values()] for n in wanted]
        assert [(sum(one.standing.values()), one.accepted) for one in shown] == [
            (some.count(False), some.count(True)) for some in covered
        ]

    def _hold_history(self, name: str) -> None:
        """Every review that met the device is in its history, with what was open of it then; and every one that missed it."""
        found = [id for id, called in self.names.items() if called == name]
        if not found:
            return
        told = device_history.events(self.kept, device_lookup.find(self.kept, found[0]))
        seen = {one.review: one.facts for one in told if one.what in ("first-seen", "seen")}
        met = {n: scan for n, scan in enumerate(self.scans) if name in scan.met and not scan.recheck}
        assert list(seen) == [scan.id for scan in met.values()]
        for n, scan in met.items():
            lines = [line for (called, *_), line in self._known(n).items() if called == name]
            facts = seen[scan.id]
            assert (sum(facts["standing"].values()), facts["accepted"], facts["not_reassessed"]) == (
                sum(not line.covered(n) for line in lines),
                sum(line.covered(n) for line in lines),
                sum(line.says[n] != "open" for line in lines),
            )
        missed = {one.review for one in told if one.what == "not-met"}
        assert missed.isdisjoint(scan.id for scan in met.values())
        first = next(iter(met), len(self.scans))
        assert missed >= {s.id for s in self.scans[first:] if name in s.missed}

    def _hold_comparison(self, back: int) -> None:
        new = len(self.scans) - 1
        before = [n for n, scan in enumerate(self.scans[:-1]) if not scan.recheck]
        if not before:
            return
        old = before[-1 - back % len(before)]
        found: dict[tuple[str, str, Spot], Change] = {}
        for one in self.world.compare(self.scans[old].id, self.scans[new].id):
            if not one.changes:  # a listed device that never answered
                continue
            name = self.names[one.device.id]
            for change in one.changes:
                assert change.endpoint
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
            assert (change.first_seen, change.open_since, change.last_seen) == (
                self.scans[line.first].at, line.since_at[new], self.scans[line.last].at,
            )  # fmt: skip

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
            if line.says[old] == "open" and line.accepted[old] != line.accepted[new]:
                return Kind.ACCEPTED if line.accepted[new] else Kind.NOT_ACCEPTED
            return Kind.UNCHANGED
        if says == "absent":
            return Kind.FIXED if was_open else None
        if not line.since_at[new]:
            return None
        if says == "not assessed":
            return Kind.NOT_REASSESSED
        return Kind.NOT_REQUIRED if was_open and line.says.get(old) != "not required" else None

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
        assert len(found) == sum(map(len, wanted.values()))
        for done in found:
            assert done.endpoint
            check, port = done.check, done.endpoint.port
            name = self.names[done.device]
            box = self.world.boxes[name]
            address = done.endpoint.address
            does = self._does(name, (self._at(name, address), port))
            if not box.on or address not in box.addresses or does in ("filtered", "mute"):
                assert done.standing == "unknown", done
            elif does == SPEAKS[check]:
                assert done.standing == "stands", done
            elif does == "refuses":
                assert done.standing == "gone", done
        asked = {}
        for name, lines in wanted.items():
            box = self.world.boxes[name]
            spots = {line.spot for line in lines}
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
