"""What to do first: remedies in the order of work."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from hardenprobe.records import Advice, Remedy, Result


def rank(results: Iterable[Result], remedies: Mapping[str, Remedy]) -> tuple[Advice, ...]:
    """Order the remedies of the findings that stand.

    The most risk removed comes first, except that a remedy never comes before one of the list that it needs; the one
    that is needed is pulled up to just before it. A general remedy counts by what no other one mends; where that is
    nothing, it comes last.
    """
    standing = [r for r in results if r.stands and r.remedy]
    mended = {_port(r) for r in standing if r.endpoint and r.remedy and not remedies[r.remedy].general}
    by_remedy: dict[str, list[Result]] = {}
    for result in standing:
        if result.remedy:
            by_remedy.setdefault(result.remedy, []).append(result)
    risk = {key: _risk(found) for key, found in by_remedy.items()}
    for key, found in by_remedy.items():
        if remedies[key].general:
            alone = [r for r in found if _port(r) not in mended]
            risk[key] = _risk(alone)
            by_remedy[key] = alone or found
    order: list[str] = []

    def place(key: str, path: tuple[str, ...]) -> None:
        if key in order or key in path:
            return
        for before in remedies[key].after:
            if before in by_remedy:
                place(before, (*path, key))
        order.append(key)

    for key in sorted(by_remedy, key=lambda k: (-risk[k], k)):
        place(key, ())
    return tuple(
        Advice(
            rank=i,
            remedy=remedies[key],
            devices=tuple(dict.fromkeys(r.device for r in by_remedy[key])),
            findings=tuple(dict.fromkeys(r.finding for r in by_remedy[key])),
            risk_removed=risk[key],
            waits_for=tuple(k for k in remedies[key].after if k in by_remedy),
        )
        for i, key in enumerate(order, 1)
    )


def _port(result: Result) -> tuple[str, str, str, int] | None:
    where = result.endpoint
    return (result.device, where.address, where.transport, where.port) if where else None


def _risk(results: Iterable[Result]) -> float:
    """Sum of the local scores; a finding that was seen from several vantage points counts once."""
    scores: dict[str, float] = {}
    for result in results:
        scores[result.finding] = max(scores.get(result.finding, 0.0), result.local_score)
    return round(sum(scores.values()), 1)
