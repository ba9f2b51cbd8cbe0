"""Whether what is observed is worse than what was accepted, by the way that a check says is worse."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.checking.check import Worse
from hardenprobe.model.document import canonical

DRIFT = 2.0  # times what was accepted; a clock that nobody sets drifts on (common practice)


def worsened(now: Any, accepted: Any, way: Worse | Mapping[str, Worse] | None) -> str | None:
    """How an observed value is worse than the accepted one; None where it is not, or where nothing says which way is worse.

    Args:
        way: As `Check.worse`; where there is none, a list that names more is worse.
    """
    if isinstance(way, Mapping):
        if not (isinstance(now, Mapping) and isinstance(accepted, Mapping)):
            return None
        for key, one in way.items():
            if key in now and key in accepted and (said := _one(now[key], accepted[key], one)):
                return f"worse than what was accepted: {key}: {said}"
        return None
    if way and (said := _one(now, accepted, way)):
        return f"worse than what was accepted: {said}"
    before, items = _items(accepted), _items(now)
    more = [one for one in items or () if before is not None and one not in before]
    if more:
        return f"more than what was accepted: {b', '.join(more).decode(errors='replace')[:200]}"
    return None


def _one(now: Any, accepted: Any, way: Worse) -> str | None:
    if isinstance(way, tuple):
        if now not in way or accepted not in way or way.index(now) >= way.index(accepted):
            return None
    elif way == "wider":
        return _wider(now, accepted)
    elif way == "older":
        old, new = _version(accepted), _version(now)
        if not (old and new and new < old):
            return None
    elif not (_is_number(now) and _is_number(accepted)):
        return None
    elif way == "further":
        if abs(now) <= DRIFT * abs(accepted):
            return None
    elif not (now > accepted if way == "larger" else now < accepted):
        return None
    return f"{now}, accepted {accepted}"


def _wider(now: Any, accepted: Any) -> str | None:
    """Addresses that were not accepted, counted exactly however many blocks they are."""
    try:
        more = AddressSet.of(now) - AddressSet.of(accepted)
    except (ValueError, TypeError):
        return None
    return f"{more.count:,} addresses more than were accepted, such as {more.first()}" if more else None


def _version(text: Any) -> tuple[int, ...]:
    numbers = re.findall(r"\d+", text) if isinstance(text, str) else []
    return tuple(map(int, numbers))


def _items(value: Any) -> list[bytes] | None:
    """What a check names one by one, by what it is named under; None where its value holds no list."""
    if isinstance(value, list | tuple):
        return [canonical(one) for one in value]
    if isinstance(value, Mapping):
        lists = {key: one for key, one in value.items() if isinstance(one, list | tuple)}
        return [canonical([key, item]) for key, one in lists.items() for item in one] if lists else None
    return None


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
