"""What a bag says of its own limits, before anything else: what was examined, from where, and what was not determined."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from hardenprobe.evidence.source import Source
from hardenprobe.judging.counts import Tally
from hardenprobe.reports.text import capture_text, counted, reason_text, visible

if TYPE_CHECKING:
    from hardenprobe.evidence.bag import Payload
    from hardenprobe.evidence.source import Wanted

NO_SAMPLE = (
    "Every address of the plan was to be examined: no sample was drawn, and nothing is extrapolated from "
    "what was assessed to what was not."
)


def write(source: Source, wanted: Wanted, bag: Payload) -> None:
    """Write limitations and sampling as text."""
    tally = Tally()
    for one in source.devices():
        tally.add(one.device.id, one.results)
    with bag.file("limitations.txt") as out:
        out.write(
            "".join(f"{line}\n" for line in _lines(source, wanted, tally)).encode("utf-8", "backslashreplace")
        )


def _lines(source: Source, wanted: Wanted, tally: Tally) -> Iterator[str]:
    head, coverage = source.outline.head, source.outline.coverage
    yield "Limitations"
    yield "==========="
    if absent := wanted.self_test.get("absent"):
        yield f"No self-test of this version is in the bag: {visible(absent)}. Its error rates are not known from it."
    else:
        yield _self_test(wanted)
    yield ""
    yield "Sampling"
    yield f"  {NO_SAMPLE}"
    yield f"  {coverage.planned:,} addresses planned, {coverage.visited:,} examined, {coverage.answered:,} with a device that answered."
    yield f"  Listed and not reached: {len(coverage.listed_not_seen):,}. Not finished: {len(coverage.unfinished):,}."
    yield f"  Excluded by the scope: {len(coverage.excluded):,} ranges."
    yield f"  Ports: {len(coverage.tcp_ports)} of TCP and {len(coverage.udp_ports)} of UDP; what other ports do was not examined."
    for one in coverage.captures:
        yield f"  Captured traffic: {capture_text(one)}."
    if head.interrupted:
        yield "  The scan was stopped before it was done."
    if head.rechecks:
        yield f"  Only what proves some findings of review {visible(head.rechecks)} was examined."
    yield ""
    yield "Method"
    yield f"  Test level {head.reach}: what needs a further one was not tested."
    names = ", ".join(visible(one.name) for one in source.outline.vantages) or "not recorded"
    yield f"  Vantage points: {names}. What is reached from elsewhere was not examined."
    yield "  A result holds for the moment of its observation; a setting may have changed since."
    yield f"  Clock: {'proven' if head.clock.proven else 'not proven'}; offset {_offset(source)}."
    yield ""
    yield "Results"
    yield f"  {tally.told:,} of {counted(tally.asked, 'result')} were determined, {tally.asked - tally.told:,} were not."
    reasons: dict[str, int] = {}
    for (_, reason, _), devices in tally.untold.items():
        said = reason_text(reason)
        reasons[said] = reasons.get(said, 0) + len(devices)
    for said, number in sorted(reasons.items(), key=lambda item: (-item[1], item[0])):
        yield f"  {number:,}, by check and device: {said}"


def _offset(source: Source) -> str:
    offset = source.outline.head.clock.offset
    return "not measured" if offset is None else f"{offset:+.3f} s"


def _self_test(wanted: Wanted) -> str:
    """Error rates against the demo lab's declared truth."""
    rows = wanted.self_test.get("findings")
    found = [one for one in rows if isinstance(one, dict)] if isinstance(rows, list) else []
    missed = sum(bool(one.get("expected")) and not one.get("found") for one in found)
    wrong = sum(bool(one.get("found")) and not one.get("expected") for one in found)
    true = sum(bool(one.get("expected")) for one in found)
    return (
        f"Self-test of this version against the demo lab: {true:,} findings are true, {missed:,} of them were missed (false "
        f"negatives), {wrong:,} were found that are not true (false positives)."
    )
