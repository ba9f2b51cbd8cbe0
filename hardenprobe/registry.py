"""Find checks: built-in modules by package scan, third-party ones by entry point."""

from __future__ import annotations

import pkgutil
from collections.abc import Iterable
from dataclasses import dataclass, field
from importlib import import_module
from importlib.metadata import entry_points
from typing import Any

import hardenprobe.checks
from hardenprobe import guard
from hardenprobe.check import Check
from hardenprobe.errors import UnknownName
from hardenprobe.scoring import score

GROUP = "hardenprobe.checks"
BUILT_IN = "hardenprobe"


@dataclass(frozen=True, kw_only=True)
class Broken:
    """A third-party check that cannot be used, and why."""

    name: str
    origin: str
    reason: str

    def __str__(self) -> str:
        return f"check {self.name} from {self.origin} is left out: {self.reason}"


@dataclass(frozen=True, kw_only=True)
class Registry:
    """The checks at hand, by id, each with where it came from."""

    checks: dict[str, Check[Any]]
    origins: dict[str, str]
    broken: tuple[Broken, ...] = field(default=())

    def get(self, name: str) -> Check[Any]:
        """Look a check up.

        Raises:
            UnknownName: Proposes the nearest ids.
        """
        if name not in self.checks:
            raise UnknownName("check", name, self.checks, see="hardenprobe checks list")
        return self.checks[name]

    @property
    def services(self) -> frozenset[str]:
        """The services whose being there is an exposure, in the words of a baseline's `allowed_services`."""
        return frozenset(check.service for check in self.checks.values() if check.service)

    def select(self, only: Iterable[str] = (), leave_out: Iterable[str] = ()) -> frozenset[str]:
        """The ids that are asked for.

        Raises:
            UnknownName: One of the names is no check.
        """
        chosen = {self.get(name).id for name in only} or set(self.checks)
        return frozenset(chosen - {self.get(name).id for name in leave_out})


def load(plugins: bool = True) -> Registry:
    """Load every check; a broken third-party one is named and left out.

    Args:
        plugins: False leaves out all third-party checks.
    """
    checks: dict[str, Check[Any]] = {}
    for info in pkgutil.iter_modules(hardenprobe.checks.__path__):
        # A fault in a built-in is our bug: let it raise.
        check = import_module(f"hardenprobe.checks.{info.name}").CHECK
        checks[check.id] = check
    origins = dict.fromkeys(checks, BUILT_IN)
    broken: list[Broken] = []
    for entry in entry_points(group=GROUP) if plugins else ():
        origin = f"{entry.dist.name} {entry.dist.version}" if entry.dist else entry.value
        try:
            with guard.watching():  # what a module does when it is imported goes through no door
                check = _third_party(entry.name, entry.load(), checks)
        except Exception as exc:  # noqa: BLE001 - a plug-in may raise anything
            reason = str(exc) if isinstance(exc, ValueError | TypeError) else f"{type(exc).__name__}: {exc}"
            broken.append(Broken(name=entry.name, origin=origin, reason=reason))
            continue
        checks[entry.name] = check
        origins[entry.name] = origin
    return Registry(checks=checks, origins=origins, broken=tuple(broken))


def _third_party(name: str, found: object, known: dict[str, Check[Any]]) -> Check[Any]:
    """Hold a third-party check to the contract.

    Raises:
        TypeError, ValueError: What it declares, and what was expected.
    """
    if not isinstance(found, Check):
        raise TypeError(f"expected a Check, got {type(found).__name__}")
    if found.id != name:
        raise ValueError(
            f"its entry point is named {name!r} and its id is {found.id!r}; they must be the same"
        )
    if name in known:
        raise ValueError("a check with this id is already registered")
    for vector in found.vectors.values():
        score(vector)
    return found
