"""Trying a check under development: against a device of the lab, against stored observations, or by its contract alone."""

from __future__ import annotations

import asyncio
import logging
import re
import secrets
import traceback
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import yaml

import hardenprobe.checks
from hardenprobe.baseline import selection
from hardenprobe.checking.check import Check
from hardenprobe.demo_lab import declarations
from hardenprobe.demo_lab.plugged import from_folders
from hardenprobe.demo_lab.process import INVENTORY, running_lab
from hardenprobe.errors import ContractBroken, UnknownName, UsageError, clip
from hardenprobe.facts import ProbeFault, TcpPort
from hardenprobe.judging.completeness import CLEAN, FINDING, INCOMPLETE
from hardenprobe.judging.review import rejudge
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.library import scan_and_judge
from hardenprobe.model import Device, Observation, Result, Review, Word
from hardenprobe.plugins import registry
from hardenprobe.plugins.registry import Registry
from hardenprobe.plugins.sources import origin
from hardenprobe.probes.base import Probe
from hardenprobe.scanning.request import ScanRequest, named, pinned
from hardenprobe.scanning.run import log_file
from hardenprobe.testing.contract import complaints

LAB = "lab:"
FRAMES = 5  # that are shown of what was raised
_TOLD = (Word.FAIL, Word.PASS, Word.UNKNOWN, Word.INFORMATIONAL, Word.NOTAPPLICABLE)


@dataclass(frozen=True, kw_only=True)
class Trial:
    """What came of trying a check.

    Attributes:
        against: What it was tried against, in words; None for its contract alone.
        read: Device, and the observations of the kinds that the check reads, and what kept a probe from bringing them, of
            each that it judged.
        unlooked: What was not looked at for want of a declaration of a probe, and how to declare it.
        results: What it said.
        complaints: What it breaks of the contract.
        frames: The last lines of the plug-in's code at which something was raised, the innermost last.
        log: The file with the whole tracebacks, None where they went to none.
    """

    check: Check[Any]
    origin: str
    against: str | None = None
    read: tuple[tuple[Device, tuple[Observation[Any], ...]], ...] = ()
    unlooked: tuple[str, ...] = ()
    results: tuple[Result, ...] = ()
    complaints: tuple[str, ...] = field(default=())
    frames: tuple[str, ...] = ()
    log: str | None = None

    @property
    def status(self) -> int:
        """How the command ends: 2 the contract is broken, 3 an error or no verdict at all, 1 a finding, 0 otherwise."""
        if self.complaints:
            return 2
        if self.against is None:
            return CLEAN
        words = {result.result for result in self.results}
        if Word.ERROR in words or not words.intersection(_TOLD):
            return INCOMPLETE
        return FINDING if Word.FAIL in words else CLEAN


def alone(file: Path, baseline: str | None = None) -> Trial:
    """Hold a check to its contract.

    Raises:
        UsageError, ContractBroken: The file cannot be used; says why.
    """
    check, checks = _loaded(file)
    settings = selection.choose((), checks, baseline).baselines
    (chosen,) = settings.values()
    return Trial(
        check=check,
        origin=checks.origins[check.id],
        complaints=tuple(complaints(check, chosen.settings.get(check.id))),
    )


def on_device(file: Path, device: str, baseline: str | None = None) -> Trial:
    """Start a device of the lab, scan it with one check, and tell what came of it.

    Args:
        device: "lab:" and the asset tag of a simulated device.

    Raises:
        UsageError, ContractBroken: The file cannot be used, or there is no such device.
    """
    told = alone(file, baseline)
    check = told.check
    with (
        _raised(file) as frames,
        _by_itself(*_simulated(file, device)) as (inventory, address),
        running_lab(inventory, services_from=_folders(file)) as lab,
    ):
        request = ScanRequest(
            targets=pinned([address]),
            inventory=str(lab.inventory),
            baseline=named(baseline),
            reach=str(check.reach or "ask"),
            only=(check.id,),
            trust_anchors=(str(lab.ca_file),),
            system_anchors=False,
            port_offset=lab.port_offset,
            plugins=False,
            checks_from=tuple(map(str, _folders(file))),
        )
        found = asyncio.run(scan_and_judge(*request.prepare()))
    against = f"device {device.removeprefix(LAB)} of the lab, at {address}"
    _, checks = _loaded(file)
    unlooked = tuple(_unlooked(checks.probes_for([check.id]), found))
    return replace(_told(told, found, against, frames), unlooked=unlooked)


def on_review(file: Path, read: Callable[[], Review], baseline: str | None = None) -> Trial:
    """Judge what a stored review holds by one check; nothing is stored.

    Args:
        read: Reads the review, once the facts that the file brings are known: an earlier reading leaves them undecoded.

    Raises:
        UsageError, ContractBroken: The file cannot be used.
    """
    told = alone(file, baseline)
    _, checks = _loaded(file)
    rules = JudgingRules(baseline=selection.choose((), checks, baseline), registry=checks, decisions=None)
    stored = read()
    with _raised(file) as frames:
        again = rejudge(stored, rules)
    return _told(told, again, f"review {stored.head.id}, {len(stored.devices)} devices", frames)


def _loaded(file: Path) -> tuple[Check[Any], Registry]:
    """The check of a file, and a registry that holds it beside the built-in ones.

    Raises:
        ContractBroken: It cannot be used; says why.
        UsageError: The file holds no check.
    """
    folders = _folders(file)
    checks = registry.load(plugins=False, folders=folders)
    if not folders:
        return checks.get(file.stem.replace("_", "-")), checks
    whose = origin(file.absolute())
    for broken in checks.broken:
        if broken.origin == whose:
            raise ContractBroken(f"{file} cannot be used: {broken.reason}")
    for id, check in checks.checks.items():
        if checks.origins[id] == whose:
            return check, checks
    raise UsageError(f"{file} holds no CHECK; name the file that does")


def _folders(file: Path) -> tuple[Path, ...]:
    """The folder to load beside ours; none for a file that is a built-in one."""
    ours = Path(hardenprobe.checks.__path__[0]).resolve()
    return () if file.resolve().parent == ours else (file.parent.absolute(),)


@contextmanager
def _raised(file: Path) -> Iterator[list[str]]:
    """Where in the files beside a check something is raised while the block runs; each place once."""
    found: dict[str, None] = {}
    folder = str(file.parent.absolute())

    class Handler(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            trace = record.exc_info[2] if record.exc_info else None
            for frame in traceback.extract_tb(trace):
                if frame.filename.startswith(folder):
                    place = f"{Path(frame.filename).name}, line {frame.lineno}, in {frame.name}"
                    found[f"{place}: {frame.line}"] = None

    handler, log, frames = Handler(), logging.getLogger("hardenprobe"), list[str]()
    log.addHandler(handler)
    try:
        yield frames
    finally:
        log.removeHandler(handler)
        frames += list(found)[-FRAMES:]


@contextmanager
def _by_itself(inventory: Path, tag: str) -> Iterator[tuple[Path, str]]:
    """An inventory of one device at addresses that are otherwise unused, so that other labs may run; and the first of them."""
    data = yaml.safe_load(inventory.read_text(encoding="utf-8"))
    (device,) = (one for one in data["devices"] if one["asset_tag"] == tag)
    text = yaml.safe_dump({**data, "devices": [device]})
    for address in device["addresses"]:
        if ":" not in address:
            fresh = f"127.{secrets.randbelow(40) + 80}.{secrets.randbelow(256)}.{secrets.randbelow(254) + 1}"
            text = re.sub(rf"(?<![\d.]){re.escape(address)}(?![\d.])", fresh, text)
    with TemporaryDirectory(prefix="hardenprobe-try-") as folder:
        file = Path(folder) / "devices.yaml"
        file.write_text(text, encoding="utf-8")
        yield file, yaml.safe_load(text)["devices"][0]["addresses"][0]


def _simulated(file: Path, device: str) -> tuple[Path, str]:
    """The inventory of a simulated device, and its asset tag.

    Raises:
        UsageError: There is none of that name.
    """
    if not device.startswith(LAB):
        raise UsageError(f"--device {clip(device)}: write lab: and the asset tag of a simulated device")
    tag = device.removeprefix(LAB)
    from_folders(_folders(file))
    beside = file.parent / "devices.yaml"
    known: dict[str, Path] = {}
    for inventory in (INVENTORY, *([beside] if beside.is_file() else ())):
        for virtual in declarations.simulated(declarations.load(inventory)):
            known[virtual.listed.asset_tag] = inventory
    if tag not in known:
        raise UnknownName("device of the lab", tag, known, see="hardenprobe lab list")
    return known[tag], tag


def _told(told: Trial, found: Review, against: str, frames: list[str]) -> Trial:
    kinds = {facts.kind for facts in told.check.reads}
    read = tuple(
        (device, tuple(o for o in found.observations.get(device.id, ()) if _concerns(o.facts, kinds)))
        for device in found.devices
    )
    results = tuple(r for r in found.results if r.check == told.check.id)
    return Trial(
        check=told.check,
        origin=told.origin,
        against=against,
        read=read,
        results=results,
        complaints=told.complaints,
        frames=tuple(frames),
        log=log_file() if frames else None,
    )


def _concerns(facts: Any, kinds: set[str]) -> bool:
    """It is of one of the kinds, or says that one of them could not be obtained."""
    return facts.kind in kinds or (isinstance(facts, ProbeFault) and not kinds.isdisjoint(facts.kinds))


def _unlooked(probes: Iterable[Probe], found: Review) -> Iterator[str]:
    """Where a probe names no port to look at, and for want of that asked nothing."""
    everything = [seen for all_of in found.observations.values() for seen in all_of]
    looked = {o.endpoint.port for o in everything if o.endpoint and isinstance(o.facts, TcpPort)}
    for probe in probes:
        if probe.tcp_ports or any(isinstance(o.facts, probe.produces) for o in everything):
            continue
        transport, port = probe.place or ("tcp", None)
        if transport == "tcp" and port not in looked:
            place = "ports beside the baseline's were" if port is None else f"{port}/tcp was"
            entry = f"{{{port or 'PORT'}: {probe.name!r}}}"
            yield f"{place} not looked at, since probe {probe.name} names no tcp_ports: add tcp_ports={entry} to it"
