"""What each risk acceptance covers now, by what the reviews of a store tell: findings, and since when and why no longer."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from hardenprobe.comparison.standing import Standing
from hardenprobe.decisions.exceptions import RiskException
from hardenprobe.store.store import Store

ENDING = 30  # days before its last day from which an acceptance is said to end soon


@dataclass(frozen=True, kw_only=True)
class Covered:
    """What an acceptance covers.

    Attributes:
        covers: How many open findings.
        lapsed: How many open findings that it covered once.
        since: When the first review began in which it covered one of those no longer; UTC.
        why: Why, for one of them.
    """

    covers: int = 0
    lapsed: int = 0
    since: str | None = None
    why: str = ""


def covered(store: Store, known: Iterable[RiskException]) -> Mapping[str, Covered]:
    """What each acceptance covers by the newest review of its scope.

    Raises:
        StoreRefused: A review cannot be read.
    """
    wanted = {one.review for one in known}
    scopes = {
        store.outline(one.id).head.scope for one in store.reviews() if not one.gone and one.id in wanted
    }
    covers: dict[str, int] = defaultdict(int)
    lapsed: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for scope in scopes:
        newest = [one for one in store.of_scope(scope) if one not in store.rechecks()]
        for finding in Standing(store, store.outline(newest[-1])).open() if newest else ():
            entry = finding.sighting.verdict.entry
            if entry["exception"]:
                covers[entry["exception"]["id"]] += 1
            elif entry["lapsed"]:
                since = finding.lapsed_since or finding.dates.last_seen
                lapsed[entry["lapsed"]["id"]].append((since, entry["lapsed"]["why"]))
    return {
        id: Covered(
            covers=covers[id],
            lapsed=len(lapsed[id]),
            since=min((since for since, _ in lapsed[id]), default=None),
            why=min(lapsed[id])[1] if lapsed[id] else "",
        )
        for id in {*covers, *lapsed}
    }


def state_text(one: RiskException, today: str, now: Covered) -> str:
    """Say in one line whether an acceptance runs, what it covers, and whether it ends soon."""
    state = one.state(today)
    if not one.runs(today):
        return state
    said = []
    if now.covers:
        said.append(f"covers {now.covers} open finding{'' if now.covers == 1 else 's'}")
    if now.lapsed:
        since = f" since {now.since[:10]}" if now.since else ""
        said.append(f"no longer covers {now.lapsed}{since}: {now.why}")
    if not said:
        said.append("covers nothing that is open")
    left = (date.fromisoformat(one.until) - date.fromisoformat(today)).days
    ending = f", ends within {left} days" if left <= ENDING else ""
    return f"{state}{ending}; {'; '.join(said)}"
