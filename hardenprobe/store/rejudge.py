"""Judges a stored review again, a few devices at a time: what is in memory does not grow with what they showed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import chain
from typing import Any

from hardenprobe.baseline.files import files_of
from hardenprobe.baseline.selection import Expectations
from hardenprobe.checking.check import Fleet
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.errors import StoreRefused, UsageError
from hardenprobe.judging.counts import Tally
from hardenprobe.judging.judge_rows import SharedValues, fleets_of, judged_part, shared_values_of
from hardenprobe.judging.judgement import FleetTotals, Judgement
from hardenprobe.judging.review import renewed
from hardenprobe.model import Review
from hardenprobe.model.document import to_document
from hardenprobe.model.packing import pack, unpack
from hardenprobe.model.rows import Part
from hardenprobe.plugins.registry import BUILT_IN, Registry
from hardenprobe.store import input_files
from hardenprobe.store.device_rows import PackedPart, head_of, pages
from hardenprobe.store.parallel import each
from hardenprobe.store.store import UNREADABLE, Store


@dataclass(frozen=True, kw_only=True)
class Rejudged:
    """A review that was judged again and stored.

    Attributes:
        review: Without results and observations; its devices without what they showed.
        tally: The counts of its results.
    """

    review: Review
    tally: Tally


def rejudge(
    store: Store,
    name: str,
    choose: Callable[[Review], Expectations],
    registry: Registry,
    decisions: Decisions | None = None,
    workers: int | None = None,
    only: Iterable[str] = (),
) -> Rejudged:
    """Judge what a stored review holds, as a review of its own. The original stays.

    Args:
        name: As for `Store.find`.
        choose: Says by which baselines; given the review without devices, results and observations.
        decisions: As for `review.judged`.
        workers: Processes that judge; one for each processor by default.
        only: Ids of the checks that judge; all that may, by default.

    Raises:
        UnknownName, UsageError: There is no such review, or no such baseline; nothing was stored.
        StoreRefused: It cannot be read, or the store cannot be written; nothing was stored.
    """
    old = store.find(name)
    outline = store.outline(old)
    expected = choose(outline)
    files = files_of(expected)
    fresh = renewed(outline, registry, only)
    used = (*fresh.head.inputs, *(one.used for one in files))
    fresh = replace(fresh, head=replace(fresh.head, inputs=used))
    judgement = Judgement(
        fresh, expected, registry, decisions, fleets(store, old, outline, registry, workers)
    )

    def judge(page: list[PackedPart]) -> tuple[list[PackedPart], FleetTotals]:
        here = judgement.fresh()
        with reading(store, old):
            return [_judged(part, here) for part in page], here.sums

    def parts() -> Iterator[PackedPart]:
        for made, sums in each(judge, pages(store.packed_parts(old)), workers=workers):
            judgement.sums.merge(sums)
            yield from made

    whole: list[Review] = []

    def head() -> dict[str, Any]:
        whole.append(judgement.outline())
        return head_of(to_document(whole[0]))

    kept = store.save_parts(fresh.head.id, parts(), head)["review"]
    input_files.keep(store, files)
    place = replace(whole[0].head, previous=kept["previous"], previous_digest=kept["previous_digest"])
    made = replace(whole[0], head=place, devices=tuple(judgement.sums.devices))
    return Rejudged(review=made, tally=judgement.sums.tally)


def _judged(packed: PackedPart, judgement: Judgement) -> PackedPart:
    """A row judged again; what was observed stays packed as it is, unless people state something else now."""
    part = _read(packed)
    made = judged_part(part, judgement)
    return PackedPart(
        device=made.device,
        record=made.record,
        observations=packed.observations
        if made.observations is part.observations
        else pack(made.observations),
        results=pack(made.results),
    )


def _read(packed: PackedPart) -> Part:
    seen = unpack(packed.observations)
    return Part(device=packed.device, record=packed.record, observations=seen, results="[]")


def fleets(
    store: Store, name: str, outline: Review, registry: Registry, workers: int | None = None
) -> dict[str, Fleet]:
    """What the devices of a stored review are compared by.

    Args:
        workers: As for `rejudge`.
    """
    if any(check.compares and registry.origins[check.id] != BUILT_IN for check in registry.checks.values()):
        workers = 1  # what a plug-in compares by may not be fit to be handed over

    def shown(page: list[PackedPart]) -> list[SharedValues]:
        return [shared_values_of(_read(part), registry) for part in page]

    with reading(store, name):
        return fleets_of(
            chain.from_iterable(each(shown, pages(store.packed_parts(name)), workers=workers)),
            outline,
            registry,
        )


@contextmanager
def reading(store: Store, name: str) -> Iterator[None]:
    """What was changed from outside is said in one line."""
    try:
        yield
    except StoreRefused:
        raise
    except (*UNREADABLE, UsageError) as exc:
        raise store.unreadable(name, type(exc).__name__) from exc
