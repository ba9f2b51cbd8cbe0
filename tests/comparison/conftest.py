"""A fleet with a hidden truth, and scans of it at the level of what probes hand over: no socket is opened.

The truth is written down before each scan; what is stored is judged by the shipped checks, as in a scan.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from support.tls import certificate, chain, tls_port

from hardenprobe.baseline import baseline
from hardenprobe.baseline.baseline import Baseline
from hardenprobe.baseline.selection import Expectations
from hardenprobe.comparison.records import Change, DeviceChange
from hardenprobe.comparison.stored import Comparison
from hardenprobe.decisions import exceptions
from hardenprobe.decisions.exceptions import RiskException
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.devices import identity
from hardenprobe.devices.inventory import Inventory, Listed
from hardenprobe.devices.visit_notes import VisitNotes
from hardenprobe.facts import FtpSession, SnmpEngine, TelnetGreeting
from hardenprobe.judging.review import judged
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model import Clock, Coverage, Head, Observation, Reach, Review, State, Vantage
from hardenprobe.model.transcript import observation
from hardenprobe.model.visit import Visit
from hardenprobe.plugins import registry
from hardenprobe.plugins.registry import Registry
from hardenprobe.probes.snmp import agent as snmp
from hardenprobe.recheck import outcome, selection
from hardenprobe.recheck import targets as recheck_places
from hardenprobe.recheck.outcome import FindingComparison
from hardenprobe.store.known_devices import known_devices
from hardenprobe.store.ledger import Ledger
from hardenprobe.store.opening import opened
from hardenprobe.store.store import Store
from hardenprobe.testing import at, snmp_answer, tcp_port

WANTED = (
    "cleartext-telnet", "cleartext-ftp", "tls-certificate-dates", "tls-weak-key", "device-not-seen",
    "statement-contradicted",
)  # fmt: skip
EVERY = registry.load(plugins=False)
CHECKS = Registry(
    checks={id: EVERY.checks[id] for id in WANTED}, origins={id: EVERY.origins[id] for id in WANTED}
)
OFFICE = baseline.load(baseline.DEFAULT, EVERY)
PORTS = (21, 22, 23, 80, 443, 2121, 2323)
BEGIN = datetime(2026, 1, 5, 8, tzinfo=UTC)


@dataclass(kw_only=True)
class Box:
    """The truth of one device.

    Attributes:
        runs: (address, port) to "telnet", "ftp", "ssh", "filtered" or "mute"; every other port refuses.
        serial: Read by SNMP, while that is on.
        key: Of its certificate, at every address on 443; None for no TLS.
        ends: When its certificate ends.
        called: Its sysName, while SNMP is on.
        prompt: What it greets with by Telnet.
        boots: Starts of its SNMP engine.
    """

    name: str
    addresses: list[str]
    runs: dict[tuple[str, int], str] = field(default_factory=dict)
    serial: str | None = None
    snmp: bool = True
    engine: str | None = None
    boots: int = 1
    key: str | None = None
    bits: int = 2048
    ends: str = "2030-01-01T00:00:00Z"
    on: bool = True
    called: str | None = None
    prompt: str = "login: "


@dataclass
class World:
    """The fleet, the inventory and the store."""

    kept: Store
    boxes: dict[str, Box] = field(default_factory=dict)
    listed: dict[str, Listed] = field(default_factory=dict)
    now: datetime = BEGIN
    number: int = 0

    def add(self, name: str, *addresses: str, serial: str | None = None, **more: Any) -> Box:
        runs = {(address, port): what for port, what in more.pop("runs", {}).items() for address in addresses}
        self.boxes[name] = Box(name=name, addresses=list(addresses), runs=runs, serial=serial, **more)
        return self.boxes[name]

    def list_device(self, tag: str, *addresses: str, **more: Any) -> None:
        self.listed[tag] = Listed(asset_tag=tag, addresses=addresses, **more)

    @property
    def inventory(self) -> Inventory:
        devices = tuple(self.listed.values())
        return Inventory(
            devices=devices,
            by_address={a: one for one in devices for a in one.addresses},
            by_serial={one.serial: one for one in devices if one.serial},
        )

    def later(self, days: int = 30) -> None:
        self.now += timedelta(days=days)

    def scan(
        self,
        *,
        ports: Sequence[int] = PORTS,
        only: Sequence[str] = WANTED,
        expected: Expectations = OFFICE,
        targets: Sequence[str] | None = None,
        source: str | None = "192.0.2.1",
        vantage: str = "here",
        unfinished: Sequence[str] = (),
        decisions: Decisions | None = None,
        head: Mapping[str, Any] | None = None,
    ) -> str:
        """Scan the fleet as it is, store the review, and return its id."""
        self.number += 1
        began = self.now.isoformat(timespec="seconds").replace("+00:00", "Z")
        asked = list(targets) if targets is not None else self.addresses()
        visits = [self._visit(a, ports, vantage, began, unfinished) for a in asked]
        coverage = Coverage(
            planned=len(asked),
            tcp_ports=tuple(ports),
            udp_ports=(161,),
            targets=tuple(f"{a}-{a}" for a in asked),
        )
        fleet = self.settle(visits, coverage)
        review = Review(
            head=replace(
                Head(
                    id=f"{self.now:%Y%m%d-%H%M%S}-{self.number:06x}",
                    started=began,
                    finished=began,
                    operator="somebody",
                    scope="third floor",
                    reach=Reach.ASK,
                    plan_hash="",
                    selected=tuple(only),
                    interrupted=bool(unfinished),
                    clock=Clock(now=began, proven=True, how="the test says so"),
                ),
                **(head or {}),
            ),
            coverage=fleet.coverage,
            vantages=(Vantage(name=vantage, source=source, on_link=True, translated=False),),
            devices=fleet.devices,
            results=(),
            observations=fleet.observations,
            notices=fleet.notices,
        )
        return self.kept.save(
            judged(review, JudgingRules(baseline=expected, registry=CHECKS, decisions=decisions))
        ).head.id

    def accept(
        self, review: str, device: str, check: str, days: int = 30, port: int | None = None
    ) -> RiskException:
        """Accept a finding of a review for some days; it is in the ledger then."""
        request = exceptions.ExceptionRequest(
            check=check, device=device, port=f"{port}/tcp" if port else None,
            reason="agreed for the test, in a sentence", compensating="a filter before the device",
            requested_by="one", approved_by="another", until=f"{self.now + timedelta(days=days):%Y-%m-%d}",
        )  # fmt: skip
        draft = exceptions.draft(request, self.kept.load(review), OFFICE, CHECKS, self.now.date())
        (entry,) = Ledger(self.kept).add([draft])
        return next(one for one in exceptions.read(Ledger(self.kept).entries()) if one.id == entry.subject)

    def decisions(self) -> Decisions:
        """What the ledger says today, which remembers what has expired."""
        ledger, today = Ledger(self.kept), f"{self.now:%Y-%m-%d}"
        ledger.add(exceptions.expirations(exceptions.read(ledger.entries()), today))
        return Decisions.of(ledger.entries(), today)

    def recheck(self, review: str, *findings: str) -> dict[tuple[str, str, int | None], FindingComparison]:
        """What became of findings, by device, check and port."""
        found = self.rechecked(review, *findings)
        return {(one.label, one.check, one.endpoint.port if one.endpoint else None): one for one in found}

    def rechecked(self, review: str, *findings: str) -> tuple[FindingComparison, ...]:
        """Assess findings of a review again, store what was seen, and say what became of them."""
        self.number += 1
        began = self.now.isoformat(timespec="seconds").replace("+00:00", "Z")
        picked = selection.pick(self.kept, review, findings)
        again = recheck_places.again(picked, CHECKS, Reach.ASK)
        vantage = picked.review.vantages[0]
        visits = [self._visit(p.address, p.tcp_ports, vantage.name, began, ()) for p in again.places]
        coverage = Coverage(
            tcp_ports=tuple(dict.fromkeys(port for p in again.places for port in p.tcp_ports)),
            udp_ports=(161,),
            targets=tuple(f"{p.address}-{p.address}" for p in again.places),
        )
        fleet = identity.settle(VisitNotes.of(visits), again.inventory(), {}, coverage, again.known)
        seen = Review(
            head=replace(
                picked.review.head, id=f"{self.now:%Y%m%d-%H%M%S}-{self.number:06x}", started=began, finished=began,
                rechecks=review, rechecked=again.findings, interrupted=False,
                selected=tuple(sorted({one.check for one in again.findings})),
            ),
            coverage=fleet.coverage, vantages=picked.review.vantages, devices=fleet.devices, results=(),
            observations=fleet.observations,
        )  # fmt: skip
        rules = JudgingRules(baseline=OFFICE, registry=CHECKS, decisions=self.decisions())
        now = self.kept.save(judged(seen, rules))
        return outcome.compared(picked, again, now, lambda check: False)

    def settle(self, visits: Sequence[Visit], coverage: Coverage) -> identity.Fleet:
        past = known_devices(self.kept, "third floor")
        return identity.settle(VisitNotes.of(visits), self.inventory, {}, coverage, past=past)

    def addresses(self) -> list[str]:
        every = [a for box in self.boxes.values() for a in box.addresses]
        every += [a for one in self.listed.values() for a in one.addresses]
        return list(dict.fromkeys(every))

    def _visit(
        self, address: str, ports: Sequence[int], vantage: str, began: str, unfinished: Sequence[str]
    ) -> Visit:
        if address in unfinished:
            return Visit(address=address, vantage=vantage, outcome="unfinished", why="stopped")
        box = next((b for b in self.boxes.values() if b.on and address in b.addresses), None)
        if box is None:
            return Visit(address=address, vantage=vantage, outcome="silent")
        seen = tuple(replace(one, vantage=vantage, asked_at=began) for one in self._seen(box, address, ports))
        return Visit(
            address=address, vantage=vantage, outcome="answered",
            observations=tuple(_with_id(one) for one in seen),
        )  # fmt: skip

    def _seen(self, box: Box, address: str, ports: Sequence[int]) -> Iterator[Observation[Any]]:
        for port in ports:
            does = box.runs.get((address, port), "refuses")
            if port == 443 and box.key and does == "refuses":
                leaf = certificate(
                    spki_sha256=box.key,
                    not_before="2025-01-01T00:00:00Z",
                    not_after=box.ends,
                    key_bits=box.bits,
                )
                shown = tls_port("TLS 1.2", "TLS 1.3", chains=(replace(chain(), certificates=(leaf,)),))
                yield tcp_port(port, address=address)
                yield at(port, shown, protocol="tls", address=address)
            elif does == "filtered":
                yield tcp_port(port, State.SILENT, address=address)
            elif does == "refuses":
                yield tcp_port(port, State.REFUSING, address=address)
            elif does == "mute":
                yield tcp_port(port, address=address)
            else:
                greeting = {"telnet": box.prompt, "ftp": "220 ready", "ssh": "SSH-2.0-x"}[does]
                yield tcp_port(port, address=address, speaks=does, greeting=greeting)
            if does == "telnet":
                facts = TelnetGreeting(negotiates=True, text=box.prompt, prompt="login:")
                yield at(port, facts, protocol="telnet", address=address)
            if does == "ftp":
                session = FtpSession(
                    greeting_code=220, greeting_text="ready", user_code=331, user_text="go on", asked=True
                )
                yield at(port, session, protocol="ftp", address=address)
        if not box.snmp:
            yield snmp_answer(state=State.REFUSING, address=address)
            return
        if box.serial or box.called:
            said = {snmp.PRT_SERIAL: box.serial, snmp.SYS_NAME: box.called}
            values = {key: value for key, value in said.items() if value}
            yield snmp_answer(address=address, values=values)
        if box.engine:
            ran = int((self.now - BEGIN).total_seconds()) + 1000
            facts = SnmpEngine(state=State.ACCEPTING, engine_id=box.engine, boots=box.boots, time=ran)
            yield at(161, facts, transport="udp", protocol="snmp", address=address)

    def compare(self, old: str, new: str, expected: Expectations = OFFICE) -> list[DeviceChange]:
        return list(Comparison(self.kept, old, new, expected).devices())

    def changes(
        self, old: str, new: str, expected: Expectations = OFFICE
    ) -> dict[tuple[str, str, int | None], Change]:
        """What changed, by device, check and port."""
        found = {}
        for one in self.compare(old, new, expected):
            for change in one.changes:
                port = change.endpoint.port if change.endpoint else None
                key = (one.device.label, change.check, port)
                while key in found:
                    key = (*key[:2], (key[2] or 0) + 100_000)
                found[key] = change
        return found


def _with_id(one: Observation[Any]) -> Observation[Any]:
    return observation(one.facts, one.endpoint, one.vantage, one.asked_at)


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    with opened(str(tmp_path / "store.db")) as kept:
        yield World(kept)


def tuned(name: str, drop: Sequence[str] = (), **settings: Any) -> Baseline:
    """The shipped baseline under another name, without some checks, or with settings of its own."""
    kept: dict[str, Any] = {id: one for id, one in OFFICE.settings.items() if id not in drop}
    for id, changed in settings.items():
        key = id.replace("_", "-")
        kept[key] = replace(kept[key], **changed)
    return replace(OFFICE, name=name, hash=f"{name:0<64}", settings=kept)


@pytest.fixture
def tuned_baseline() -> Any:
    return tuned


@pytest.fixture
def make_world() -> type[World]:
    return World


@pytest.fixture
def office() -> Baseline:
    return OFFICE
