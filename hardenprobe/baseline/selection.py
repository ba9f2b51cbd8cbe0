"""Which baseline judges which device, and what a scan must ask so that each of them can judge.

The inventory's rules are gone through in order and the first that fits is taken; the baseline that was named for the
whole scan is for the rest. A rule can only look at what a stored review keeps, so that it can be chosen again later.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Protocol, TypeVar

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.baseline import baseline
from hardenprobe.baseline.baseline import DEFAULT, MOST_COMMUNITIES, Baseline
from hardenprobe.devices import self_description
from hardenprobe.errors import UsageError
from hardenprobe.model import BaselineRule, Device
from hardenprobe.plugins.registry import Registry
from hardenprobe.scope.limits import Timing, TlsEnumeration
from hardenprobe.scope.web_paths import WebPaths

T = TypeVar("T")

NOT_MEANT = "is not meant for a"  # in every notice of `KindMismatches`
SHOWN = 5  # devices that a notice names
_CEILINGS = frozenset({"connections", "datagrams", "bytes_received", "seconds"})


class Expectations(Protocol):
    """What devices are judged by: a choice of baselines, or one baseline for all."""

    @property
    def rules(self) -> tuple[BaselineRule, ...]:
        """How it was chosen; the last one fits every device."""
        ...

    def of(self, device: Device) -> Baseline:
        """The baseline of one device."""
        ...


@dataclass(frozen=True, kw_only=True)
class Choice:
    """The baselines of a scan.

    Attributes:
        rules: In order, the last one without a condition.
        baselines: By the name that rules call them.
    """

    rules: tuple[BaselineRule, ...]
    baselines: Mapping[str, Baseline]

    def of(self, device: Device) -> Baseline:
        """The baseline of the first rule that fits a device."""
        return self.baselines[next(rule for rule in self.rules if fits(rule, device)).baseline]

    @property
    def tcp_ports(self) -> tuple[int, ...]:
        """The ports of every baseline: which one a device will have is not known before it is probed."""
        return self._every(lambda one: one.tcp_ports)

    @property
    def udp_ports(self) -> tuple[int, ...]:
        return self._every(lambda one: one.udp_ports)

    @property
    def first_ports(self) -> tuple[int, ...]:
        return self._every(lambda one: one.first_ports)

    @property
    def communities(self) -> tuple[str, ...]:
        return self._every(lambda one: one.communities)

    @property
    def http_paths(self) -> tuple[str, ...]:
        return self._every(lambda one: one.http_paths)

    @property
    def web(self) -> WebPaths:
        return WebPaths(
            settings_pages=self._every(lambda one: one.web.settings_pages),
            scan=self._every(lambda one: one.web.scan),
            ipp=self._every(lambda one: one.web.ipp),
        )

    @property
    def timing(self) -> Timing:
        """The gentlest of all: the longest waits and the lowest limits."""
        every = [one.timing for one in self._all()]
        return Timing(
            **{
                f.name: (min if f.name in _CEILINGS else max)(getattr(timing, f.name) for timing in every)
                for f in fields(Timing)
            }
        )

    @property
    def tls_suites(self) -> TlsEnumeration | None:
        """The gentlest of all, where one says it."""
        said = {one.tls_suites for one in self._all()}
        return "classes" if "classes" in said else "complete" if "complete" in said else None

    def _all(self) -> list[Baseline]:
        """The default's first, since its paths are the likeliest."""
        return [self.baselines[name] for name in dict.fromkeys(rule.baseline for rule in self.rules[::-1])]

    def _every(self, part: Callable[[Baseline], Iterable[T]]) -> tuple[T, ...]:
        return tuple(dict.fromkeys(item for one in self._all() for item in part(one)))


def choose(rules: Iterable[BaselineRule], registry: Registry, default: str | None = None) -> Choice:
    """Load the baselines that rules name.

    Args:
        rules: Those of an inventory, or of a stored review.
        default: The baseline of devices that no rule fits; DEFAULT where the rules leave any.

    Raises:
        FileInvalid, UnknownName: A baseline cannot be used.
        UsageError: Together they would try too many communities on a device.
    """
    found = tuple(rules)
    if not any(_fits_all(rule) for rule in found):
        found = (*found, BaselineRule(baseline=default or DEFAULT))
    names = dict.fromkeys(rule.baseline for rule in found)
    choice = Choice(rules=found, baselines={name: baseline.load(name, registry) for name in names})
    if len(choice.communities) > MOST_COMMUNITIES:
        raise UsageError(
            f"the baselines {', '.join(names)} name {len(choice.communities)} default communities together, and at most "
            f"{MOST_COMMUNITIES} are ever tried on a device; let them name the same ones"
        )
    return choice


def fits(rule: BaselineRule, device: Device) -> bool:
    """Tell whether every condition of a rule holds for a device."""
    return (
        (not rule.kinds or device.kind in rule.kinds)
        and (not rule.tags or not set(rule.tags).isdisjoint(device.tags))
        and (not rule.networks or _inside(rule.networks, device))
        and (rule.make_model is None or self_description.calls_itself(device, rule.make_model))
    )


def _fits_all(rule: BaselineRule) -> bool:
    return not (rule.kinds or rule.tags or rule.networks or rule.make_model)


def _inside(networks: tuple[str, ...], device: Device) -> bool:
    return any(a.address in _set(networks) for a in device.addresses)


@lru_cache(maxsize=64)
def _set(networks: tuple[str, ...]) -> AddressSet:
    return AddressSet.of(networks)


class KindMismatches:
    """The devices whose baseline is meant for devices of other kinds; an unknown kind is no fault."""

    def __init__(self) -> None:
        self._found: dict[tuple[str, str], list[str]] = {}  # baseline and kind to the first labels
        self._count: Counter[tuple[str, str]] = Counter()

    def add(self, device: Device, chosen: Baseline) -> None:
        """Look at one device and its baseline."""
        if device.kind not in ("unknown", *chosen.file.kinds):
            key = (chosen.name, device.kind)
            self._count[key] += 1
            if self._count[key] <= SHOWN:
                self._found.setdefault(key, []).append(device.label)

    def merge(self, other: KindMismatches) -> None:
        """Add other devices, which come after these."""
        self._count += other._count
        for key, labels in other._found.items():
            self._found[key] = [*self._found.get(key, ()), *labels][:SHOWN]

    def notices(self) -> list[str]:
        """A sentence for each baseline and kind."""
        return [
            f"baseline {name} {NOT_MEANT} {kind}, and judges {', '.join(labels)}"
            + (f" and {self._count[name, kind] - SHOWN} more" if self._count[name, kind] > SHOWN else "")
            for (name, kind), labels in self._found.items()
        ]
