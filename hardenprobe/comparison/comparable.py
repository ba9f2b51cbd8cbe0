"""How two reviews were made, and in what that differs: only reviews that were made alike can be compared without reserve."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from hardenprobe.errors import StoreRefused, UsageError
from hardenprobe.model import Review
from hardenprobe.store.store import Store

_SHOWN = 6  # values of one kind that a sentence names


def newest_pair(store: Store) -> tuple[str, str]:
    """The newest scan, and the newest one before it that was made alike; else the one just before it.

    Raises:
        UsageError: There are not two scans of one scope.
    """
    new = store.find("latest")
    last = store.outline(new)
    again = store.rechecks()
    before: list[str] = []
    for name in store.before(new):
        if name in again:
            continue
        try:
            one = store.outline(name)
        except (StoreRefused, UsageError):
            continue
        if one.head.judged_from is not None:
            continue
        if not any(kind in _DECISIVE for kind, _ in _differences(one, last)):
            return name, new
        before.append(name)
    if not before:
        raise UsageError(f"review {new} is the only scan of its scope; there is none to compare it with")
    return before[0], new


def differences(old: Review, new: Review) -> list[str]:
    """Every difference in how two reviews were made, one sentence each."""
    return [f"made otherwise, {kind}: {said}" for kind, said in _differences(old, new)]


_DECISIVE = frozenset({"scope", "targets", "ports", "baselines", "test level", "vantage points", "narrowed"})


def _differences(old: Review, new: Review) -> Iterator[tuple[str, str]]:
    one, other = old.head, new.head
    if one.scope != other.scope:
        yield "scope", f"{one.scope} before, {other.scope} now"
    for kind, was, now in (
        ("targets", old.coverage.targets, new.coverage.targets),
        ("ports", _ports(old), _ports(new)),
        ("checks", one.selected, other.selected),
        ("baselines", _baselines(old), _baselines(new)),
        ("vantage points", _vantages(old), _vantages(new)),
        ("narrowed", one.narrowed, other.narrowed),
    ):
        if set(was) != set(now):
            yield kind, _sets(was, now)
    if one.reach != other.reach:
        yield "test level", f"{one.reach} before, {other.reach} now"
    for package in sorted({*one.versions, *other.versions} - {"baseline"}):
        older, newer = (head.versions.get(package, "absent") for head in (one, other))
        if older != newer:
            yield "version", f"{package} {older} before, {newer} now"
    if one.interrupted != other.interrupted:
        yield "end", f"the scan {'before' if one.interrupted else 'now'} was interrupted"


def _ports(review: Review) -> list[str]:
    coverage = review.coverage
    return [f"{p}/tcp" for p in coverage.tcp_ports] + [f"{p}/udp" for p in coverage.udp_ports]


def _baselines(review: Review) -> list[str]:
    rules = [str(rule.baseline) for rule in review.head.baselines]
    return [*rules, review.head.versions.get("baseline", "")]


def _vantages(review: Review) -> list[str]:
    return [one.source or one.name for one in review.vantages]


def _sets(was: Iterable[str], now: Iterable[str]) -> str:
    gone, come = sorted(set(was) - set(now)), sorted(set(now) - set(was))
    said = [f"only before: {_some(gone)}"] if gone else []
    return "; ".join([*said, *([f"only now: {_some(come)}"] if come else [])])


def _some(values: list[str]) -> str:
    rest = len(values) - _SHOWN
    return ", ".join(values[:_SHOWN]) + (f" and {rest} more" if rest > 0 else "")
