"""The checks and probes at hand, and what becomes of one that cannot be used."""

from __future__ import annotations

import re
import traceback
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

from hardenprobe.checking.check import HEADINGS, Check, DeviceView, Outcome
from hardenprobe.errors import ContractBroken, HardenprobeError, TimeLimitExceeded, UnknownName, blame, clip
from hardenprobe.facts import KINDS
from hardenprobe.model import Reach, Reason, Remedy, Said, Word
from hardenprobe.network import audit_hook
from hardenprobe.plugins.contract import hold_check, hold_probe
from hardenprobe.plugins.sources import BUILT_IN, Offer, offers
from hardenprobe.plugins.time_limit import limited
from hardenprobe.probes.base import Probe

__all__ = ["BROUGHT", "BUILT_IN", "Registry", "UnusablePlugin", "load"]


BROUGHT = {"brought": "a check of your own is named with --checks-from FOLDER"}


@dataclass(frozen=True, kw_only=True)
class UnusablePlugin:
    """Something that cannot be used, and why.

    Attributes:
        id: Of the placeholder that reports it on every device.
    """

    name: str
    origin: str
    reason: str
    id: str

    def __str__(self) -> str:
        return f"check {self.name} from {self.origin} cannot be used: {self.reason}"


@dataclass(frozen=True, kw_only=True)
class Registry:
    """The checks at hand, by id, each with where it came from.

    Attributes:
        checks: Placeholders for those that cannot be used among them; a placeholder's result is `error`.
        probes: Of plug-ins.
        probe_origins: Name of such a probe to where it came from.
        overran: Checks of plug-ins that took too long of a device, with what is said of them; they judge no further one.
    """

    checks: dict[str, Check[Any]]
    origins: dict[str, str]
    broken: tuple[UnusablePlugin, ...] = field(default=())
    probes: tuple[Probe, ...] = ()
    probe_origins: dict[str, str] = field(default_factory=dict)
    overran: dict[str, str] = field(default_factory=dict, compare=False)

    def get(self, name: str) -> Check[Any]:
        """Look a check up.

        Raises:
            UnknownName: Proposes the nearest ids.
        """
        if name not in self.checks:
            raise UnknownName("check", name, self.checks, see="hardenprobe checks list", **BROUGHT)
        return self.checks[name]

    @property
    def services(self) -> frozenset[str]:
        """The services whose being there is an exposure, in the words of a baseline's `allowed_services`."""
        return frozenset(check.service for check in self.checks.values() if check.service)

    @property
    def stand_ins(self) -> frozenset[str]:
        """The ids of the checks that cannot be used."""
        return frozenset(one.id for one in self.broken)

    @property
    def plugged(self) -> tuple[str, ...]:
        """Where checks and probes that are not ours came from, each once."""
        every = {*self.origins.values(), *self.probe_origins.values()}
        return tuple(sorted(every - {BUILT_IN}))

    def select(self, only: Iterable[str] = (), leave_out: Iterable[str] = ()) -> frozenset[str]:
        """The ids that are asked for.

        Raises:
            UnknownName: One of the names is no check.
        """
        chosen = {self.get(name).id for name in only} or set(self.checks)
        return frozenset(chosen - {self.get(name).id for name in leave_out})

    def probes_for(self, chosen: Iterable[str]) -> tuple[Probe, ...]:
        """The plug-ins' probes that bring what some checks read."""
        wanted = {facts for id in chosen for facts in self.checks[id].reads}
        return tuple(probe for probe in self.probes if wanted.intersection(probe.produces))


def load(plugins: bool = True, folders: Iterable[Path] = ()) -> Registry:
    """Load every check and every plug-in's probe; one that cannot be used is named, and judges `error`.

    Args:
        plugins: False leaves out what installed packages bring.
        folders: Holding Python files of checks; loading them runs their code.

    Raises:
        UsageError: There is no such folder.
    """
    checks: dict[str, Check[Any]] = {}
    origins: dict[str, str] = {}
    whose: dict[str, Offer] = {}
    probes: dict[str, Probe] = {}
    probe_origins: dict[str, str] = {}
    faults: list[tuple[Offer, str, Word]] = []
    for offer in offers(plugins, folders):
        try:
            for part in _parts(offer):
                if part in (*checks.values(), *probes.values()):
                    continue  # installed, and in a folder that was named
                if isinstance(part, Probe):
                    if part.name in probes:
                        raise ContractBroken(f"there is a probe named {part.name!r} already")
                    probes[part.name] = part
                    probe_origins[part.name] = offer.origin
                    continue
                if offer.named and part.id != offer.name:
                    raise ContractBroken(
                        f"its entry point is named {offer.name!r} and its id is {part.id!r}; they must be the same"
                    )
                if part.id in checks:
                    raise ContractBroken(
                        f"a check with this id is already registered, from {origins[part.id]}"
                    )
                checks[part.id] = part
                whose[part.id] = offer
                origins[part.id] = offer.origin
        except (Exception, SystemExit, TimeLimitExceeded) as exc:  # a plug-in may raise anything
            if offer.ours:  # our own bug
                raise
            faults.append((offer, _reason(exc) + _blame(exc), Word.ERROR))
    broken = []
    for id in [id for id, check in checks.items() if _outruns(check, probes.values())]:
        faults.append((whose[id], _outruns(checks.pop(id), probes.values()), Word.NOTCHECKED))
    for offer, reason, word in faults:
        stand_in = _stand_in(offer, reason, word, checks)
        checks[stand_in.id] = stand_in
        origins[stand_in.id] = offer.origin
        broken.append(UnusablePlugin(name=offer.name, origin=offer.origin, reason=reason, id=stand_in.id))
    return Registry(
        checks=checks,
        origins=origins,
        broken=tuple(broken),
        probes=tuple(probes.values()),
        probe_origins=probe_origins,
    )


def _outruns(check: Check[Any], probes: Iterable[Probe]) -> str:
    """How every plug-in's probe that a check reads goes further than the check says; "" where one does not."""
    brings = [probe for probe in probes if set(check.reads).intersection(probe.produces)]
    if check.reach is None or not brings or any(check.reach.admits(probe.reach) for probe in brings):
        return ""
    further = min((probe.reach for probe in brings), key=lambda reach: reach.order)
    names = " and ".join(probe.name for probe in brings)
    return f"its reach is {check.reach}, and probe {names} asks at reach {further}; give the check reach {further}"


def _parts(offer: Offer) -> Iterator[Check[Any] | Probe]:
    """Run what an offer holds, and give the checks and probes in it.

    Raises:
        ContractBroken: It brings nothing, or something else.
    """
    if offer.ours:
        yield from _of(offer.load())
        return
    refused = audit_hook.refused()
    kinds = len(KINDS)
    # What a module does when it is imported goes through no door.
    with audit_hook.watching(), limited():
        found = offer.load()
        if audit_hook.refused() > refused:
            raise ContractBroken(f"it reached for the network when it was loaded: {audit_hook.tried()[-1]}")
    parts = list(_of(found))
    if not parts and not _helps(found, len(KINDS) > kinds):
        raise ContractBroken("it has no CHECK, no PROBE, no lab service and no facts")
    yield from parts


def _of(found: object) -> Iterator[Check[Any] | Probe]:
    if not isinstance(found, ModuleType):
        yield hold_probe(found) if isinstance(found, Probe) else hold_check(found)
        return
    if hasattr(found, "PROBE"):
        yield hold_probe(found.PROBE)
    if hasattr(found, "CHECK"):
        yield hold_check(found.CHECK)


def _helps(module: object, new_facts: bool) -> bool:
    """A file without a check may bring facts or a lab service for its neighbours."""
    name = getattr(module, "__name__", None)
    mine = (one for one in vars(module).values() if isinstance(one, type) and one.__module__ == name)
    return new_facts or any(hasattr(one, "kind") or hasattr(one, "speaks") for one in mine)


def _reason(exc: BaseException) -> str:
    """One line: an error of hardenprobe as it is, any other with its type."""
    if isinstance(exc, HardenprobeError | TimeLimitExceeded) or type(exc) is ValueError:
        return clip_text(str(exc))
    return f"{type(exc).__name__}: {clip_text(str(exc))}"


def _blame(exc: BaseException) -> str:
    """The file and line that could not be loaded, where the error was raised in it."""
    if isinstance(exc, SyntaxError) and exc.filename:
        return f" ({exc.filename}, line {exc.lineno})"
    ours = str(Path(__file__).parent)
    files = [frame.filename for frame in traceback.extract_tb(exc.__traceback__)]
    theirs = [file for file in files if not file.startswith((ours, "<"))]
    return blame(exc, theirs[-1]) if theirs and not isinstance(exc, ContractBroken) else ""


def clip_text(text: str, limit: int = 300) -> str:
    """A line that third-party code wrote: its control characters escaped, cut at `limit` characters."""
    line = " ".join(text.split())
    return line if line.isprintable() and len(line) <= limit else clip(line, limit)


def _stand_in(offer: Offer, reason: str, word: Word, taken: Iterable[str]) -> Check[Any]:
    """A check that says `error` or `notchecked` wherever the one that cannot be used would have judged."""

    def judge(seen: DeviceView, expect: Any) -> Iterator[Outcome]:
        yield Outcome(
            word=word,
            observed=Said(text=f"the check cannot be used: {reason}"),
            expected=Said(text="a check that can be used"),
            reason=Reason.CRASHED if word is Word.ERROR else Reason.REACH,
        )

    name = re.sub(r"[^a-z0-9]+", "-", offer.name.lower()).strip("-")
    name = name if re.fullmatch(r"[a-z][a-z0-9]*(-[a-z0-9]+)+", name) else f"broken-{name or 'check'}"
    id, number = name, 2
    while id in taken:
        id, number = f"broken-{name}" if number == 2 else f"broken-{name}-{number}", number + 1
    said = {
        "Fails when": "Never: it cannot be used.",
        "Passes when": "Never.",
        "Unknown when": "Never: its result is error.",
        "Reach": "look: nothing is asked.",
        "Why it matters": "What it would have judged is not judged.",
        "Sources": "None",
    }
    text = "\n".join(f"{heading}\n    {said[heading]}" for heading in HEADINGS)
    return Check(
        id=id,
        document=f"Check {offer.name} cannot be used.\n\n{text}",
        reads=(),
        judge=judge,
        vectors={"": "AV:L/AC:H/Au:M/C:N/I:N/A:P/PL:ND/EM:A"},
        remedy=_MEND,
        controls=("CM-7",),
        reach=Reach.LOOK,
    )


_MEND = Remedy(
    id="check-mend",
    title="Fix or remove the check that cannot be used",
    steps=("Run `hardenprobe checks try` on its file, and fix what it names.", "Or remove it."),
    confirm="`hardenprobe checks list` names it without a complaint.",
    needs_first="The author of the check.",
    stops_working="Nothing on any device.",
    ask="The person who installed the check.",
    undo="Bring the check back as it was.",
    lock_out="None: no device is changed.",
)
