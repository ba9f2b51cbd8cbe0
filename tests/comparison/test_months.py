"""Months of a fleet with a hidden truth: random events, random and narrowed scans, rechecks; every word is held against it.

The model beside it is written from the definitions alone: a finding is open, absent or not assessed in a review; what was seen
open stays open until it is assessed absent from where it was seen. It knows nothing of results, keys or stored rows.
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
from hardenprobe.store.opening import opened

STEPS = int(os.environ.get("HARDENPROBE_STEPS", "500"))
IN_A_ROW = 50
TELNET, FTP = "cleartext-telnet", "cleartext-ftp"
SPEAKS = {TELNET: "telnet", FTP: "ftp"}
PORTS = (21, 23, 2121, 2323)
HOMES = [f"192.0.2.{n}" for n in range(20, 26)]
NAMES = st.sampled_from(["one", "two", "three"])
DOES = ("telnet",) * 3 + ("ftp",) * 3 + ("refuses",) * 6 + ("ssh", "filtered", "mute")
SOURCES = ("192.0.2.1", "198.51.100.9")


@dataclass
class Line:
    """What is known of one finding."""

    port: int
    first: int
    last: int
    source: str
    since: str | None
    says: dict[int, str] = field(default_factory=dict)
    since_at: dict[int, str | None] = field(default_factory=dict)


@dataclass
class Scanned:
    """What one scan or recheck asked of each device: ports and checks, of those that it went to."""

    id: str
    at: str
    asked: dict[str, tuple[frozenset[int], frozenset[str]]]
    source: str
    drops: frozenset[str] = frozenset()
    narrow: bool = False
    homes: dict[str, str] = field(default_factory=dict)
    snmp: tuple[bool, ...] = ()
    recheck: bool = False


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

    def teardown(self) -> None:
        self.stack.close()

    @initialize(seed=st.integers(0, 2**32))
    def fleet(self, seed: int) -> None:
        self.chance = random.Random(seed)
        for n, name in enumerate(("one", "two", "three")):
            key = None if name == "three" else f"{n}{n}" * 32
            self.world.add(name, HOMES[n], serial=f"S-{n}", key=key, runs={22: "ssh", 23: "telnet"})

    # --- events

    @rule()
    def ports_change(self) -> None:
        for box in self.world.boxes.values():
            for port in PORTS:
                if self.chance.random() < 0.4:
                    box.runs[box.addresses[0], port] = self.chance.choice(DOES)

    @rule(name=NAMES)
    def a_device_goes_or_comes(self, name: str) -> None:
        self.world.boxes[name].on = not self.world.boxes[name].on

    @rule(name=NAMES, home=st.sampled_from(HOMES))
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
        self.world.list_device(f"{tag}-{name}", box.addresses[0], serial=box.serial if serial else None)

    @rule(name=NAMES)
    def a_device_is_listed_no_more(self, name: str) -> None:
        self.world.listed = {t: one for t, one in self.world.listed.items() if not t.endswith(name)}

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
        left = [a for name, a in at.items() if name in skipped]
        targets = [a for a in HOMES if a not in left]
        unfinished = [at[name] for name in stopped if at[name] in targets]
        narrow = ports != set(PORTS) or len(only) < 2
        expected = type(self).tuned("less/1", drop=drops) if drops else type(self).office
        id = self.world.scan(
            ports=(22, 443, *sorted(ports)), only=only, targets=targets, unfinished=unfinished, source=source,
            expected=expected, head={"narrowed": ("ports",)} if narrow else {},
        )  # fmt: skip
        self._hold_ids(id, at)
        went = {name for name, a in at.items() if a in targets and a not in unfinished}
        self._learn(
            Scanned(
                id=id, at=self.kept.outline(id).head.started, source=source, drops=frozenset(drops), narrow=narrow,
                asked=dict.fromkeys(went, (frozenset(ports), frozenset(only))), homes=at, snmp=self._snmp(),
            )
        )  # fmt: skip

    def _hold_ids(self, review: str, at: dict[str, str]) -> None:
        """Nobody is split, and no two are one."""
        homes = {home: name for name, home in at.items() if self.world.boxes[name].on}
        for device in self.kept.load(review).devices:
            if device.services:
                (name,) = {homes[one.address] for one in device.addresses}
                assert self.names.setdefault(device.id, name) == name
        assert len(set(self.names.values())) == len(self.names), "a device was split"

    def _learn(self, scan: Scanned) -> None:
        """Bring the model up to date, and hold what is told of the whole against it."""
        number = len(self.scans)
        self.scans.append(scan)
        for name, box in self.world.boxes.items():
            for check, word in SPEAKS.items():
                lines = self.lines.setdefault((name, check), [])
                ports, checks = scan.asked.get(name, (frozenset(), frozenset())) if box.on else ((), ())
                asked = check in checks and check not in scan.drops
                does = {port: box.runs.get((box.addresses[0], port), "refuses") for port in ports}
                running = {port for port, did in does.items() if asked and did == word}
                ended = []
                for line in lines:
                    if line.port in running:
                        running.remove(line.port)
                        self._open(line, number, scan)
                    elif asked and line.source == scan.source and self._absent(line.port, does, word):
                        ended += [line] if line.since else []
                        line.says[number], line.since_at[number] = "absent", None
                    else:
                        required = not (check in checks and check in scan.drops)
                        line.says[number] = "not assessed" if required else "not required"
                        line.since_at[number] = line.since
                if len(running) == len(ended) == 1:  # it moved
                    (moved,) = ended
                    moved.port = running.pop()
                    self._open(moved, number, scan)
                for line in lines:
                    line.since = line.since_at[number]
                for port in sorted(running):
                    fresh = Line(port, number, number, scan.source, None)
                    self._open(fresh, number, scan)
                    fresh.since = fresh.since_at[number]
                    lines.append(fresh)
        self._hold_standing()
        self._hold_trend()

    def _open(self, line: Line, number: int, scan: Scanned) -> None:
        line.says[number], line.last, line.source = "open", number, scan.source
        line.since_at[number] = line.since or scan.at

    def _absent(self, port: int, does: dict[int, str], word: str) -> bool:
        """Whether a port was assessed, and shows nothing of the kind."""
        did = does.get(port)
        if did in (None, "filtered", "mute"):
            return False
        if did == "refuses":
            return True
        # It speaks something else; a check that finds another port undetermined gives no verdict on the device.
        return word in does.values() or "mute" not in does.values()

    # --- what is held against it

    def _known(self, number: int) -> dict[tuple[str, str, int], Line]:
        """What is open after a scan, and required."""
        return {
            (name, check, line.port): line
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
            key = (name, one.sighting.verdict.check, endpoint[1])
            assert key not in found, f"{key} is there twice"
            found[key] = (one.dates.first_seen, one.dates.open_since, one.dates.last_seen, one.assessed)
        told = {
            key: (
                self.scans[line.first].at, line.since_at[number], self.scans[line.last].at,
                line.says[number] == "open",
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
        assert [sum(one.standing.values()) for one in shown] == [len(self._known(n)) for n in wanted]

    def _hold_comparison(self, back: int) -> None:
        new = len(self.scans) - 1
        before = [n for n, scan in enumerate(self.scans[:-1]) if not scan.recheck]
        if not before:
            return
        old = before[-1 - back % len(before)]
        found: dict[tuple[str, str, int], Change] = {}
        for one in self.world.compare(self.scans[old].id, self.scans[new].id):
            if not one.changes:  # a listed device that never answered
                continue
            name = self.names[one.device.id]
            for change in one.changes:
                assert change.endpoint
                key = (name, change.check, change.endpoint.port)
                assert key not in found, f"{key} is told twice"
                found[key] = change
        told = {
            (name, check, line.port): kind
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
            return Kind.UNCHANGED if was_open and not gone_between else Kind.REOPENED
        if says == "absent":
            return Kind.FIXED if was_open else None
        if not line.since_at[new]:
            return None
        if says == "not assessed":
            return Kind.NOT_REASSESSED
        return Kind.NOT_REQUIRED if was_open and line.says.get(old) != "not required" else None

    def _snmp(self) -> tuple[bool, ...]:
        return tuple(box.snmp for box in self.world.boxes.values())

    def _newest_findings(self) -> dict[str, list[Line]]:
        """What the newest scan saw open, by device."""
        number = len(self.scans) - 1
        found: dict[str, list[Line]] = {}
        for (name, _), lines in self.lines.items():
            for line in lines:
                if line.says.get(number) == "open":
                    found.setdefault(name, []).append(line)
        return found

    @precondition(lambda self: bool(self.scans) and not self.scans[-1].recheck)
    @rule()
    def a_recheck(self) -> None:
        """Fixed only where it does not run, open only where it does, and determined where nothing hides it."""
        scan, homes = self.scans[-1], {name: box.addresses[0] for name, box in self.world.boxes.items()}
        wanted = self._newest_findings()
        # Elsewhere, or without what identified it, nothing is judged.
        if not wanted or homes != scan.homes or self._snmp() != scan.snmp:
            return
        self.world.later(1)
        found = self.world.recheck(scan.id)
        assert len(found) == sum(map(len, wanted.values()))
        for (_, check, port), done in found.items():
            box = self.world.boxes[self.names[done.device]]
            does = box.runs.get((box.addresses[0], port), "refuses")
            if not box.on or does in ("filtered", "mute"):
                assert done.standing == "unknown", done
            elif does == SPEAKS[check]:
                assert done.standing == "stands", done
            elif does == "refuses":
                assert done.standing == "gone", done
        asked = {
            name: (
                frozenset(line.port for line in lines),
                frozenset(c for (n, c), of in self.lines.items() if n == name for one in of if one in lines),
            )
            for name, lines in wanted.items()
        }
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
@pytest.mark.timeout(0 if STEPS > 500 else 60)
def test_what_is_told_over_months_is_what_is_known(make_world: Any, tuned_baseline: Any, office: Any) -> None:
    _run({"make": staticmethod(make_world), "tuned": staticmethod(tuned_baseline), "office": office}, STEPS)
