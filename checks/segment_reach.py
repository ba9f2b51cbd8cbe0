"""A service is reachable from a segment against the policy, or unreachable where it is needed.

Fails when
    The scan's source address lies in a segment of the baseline's policy, and a service that the policy forbids there is
    served; or one that it calls needed is not served there and is served to another vantage point.
Passes when
    A forbidden service is not served, or is silent here and serves another vantage point; or a needed one is served.
Unknown when
    The service gave no conclusive response, the source address is not known, or address translation may change it on the way.
Reach
    look: one connection a port; where a page was requested, its response counts.
Why it matters
    Segments are drawn so that a guest's laptop cannot reach a printer's settings; a filter with a gap looks like one
    without.
Sources
    NIST SP 800-53 Rev. 5, AC-4 and SC-7; NIST SP 800-41 Rev. 1, section 4
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from hardenprobe import Check, DeviceView, Outcome, Reach, Reason, Word, fail, inapplicable, passed, unknown
from hardenprobe.addresses.sets import AddressSet
from hardenprobe.checking.views.access import heard_by_port, served_elsewhere, serving_us, shut
from hardenprobe.facts import AddressAsked, HttpAnswer, SnmpAnswer, SnmpEngine, TcpPort
from hardenprobe.model import Observation, Said
from hardenprobe.remediation.fleet import SEGMENT_FILTER
from hardenprobe.standards.segments import Segment

Heard = Sequence[Observation[Any]]
EXPECTED = "services are reachable as the policy states"


@dataclass(frozen=True, kw_only=True)
class Settings:
    """The policy; the first segment that holds our address is ours."""

    segments: tuple[Segment, ...]


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Decide service by service of our segment."""
    addresses = dict.fromkeys(o.endpoint.address for o in seen.observations if o.endpoint)
    sources = {address: seen.source_at(address) for address in addresses} or {"": seen.vantage.source}
    segments = {
        address: next((s for s in expect.segments if source and source in AddressSet.of(s.networks)), None)
        for address, source in sources.items()
    }
    if not any(segments.values()):
        if expect.segments and None in sources.values():
            text = Said(text="the source address of the scan is not known")
            yield Outcome(word=Word.UNKNOWN, observed=text, expected=Said(text=EXPECTED))
        else:
            yield inapplicable("no segment of the policy contains the source address", EXPECTED)
        return
    outcomes: list[Outcome] = []
    for address, segment in segments.items():
        here = [o for o in seen.observations if o.endpoint and o.endpoint.address == address]
        certain = seen.unchanged_at(address)
        for service in segment.forbidden if segment else ():
            outcomes += _forbidden(seen, here, service, certain)
        for service in segment.needed if segment else ():
            outcomes += _needed(seen, here, service, certain)
    yield from outcomes
    if not outcomes:
        text = Said(text="no service that the policy names for this segment was tested")
        yield Outcome(word=Word.NOTAPPLICABLE, observed=text, expected=Said(text=EXPECTED))


def _forbidden(seen: DeviceView, here: Heard, service: str, certain: bool) -> Iterator[Outcome]:
    expected = f"{service} is not reachable from this segment"
    for heard in heard_by_port(here, service):
        serving = serving_us(service, heard)
        if serving is None and shut(service, heard):
            yield passed(heard[-1], f"{service} is not reachable", expected)
        elif serving is None and served_elsewhere(seen, service, heard):
            text = f"{service} is silent here and serves another vantage point"
            yield replace(passed(heard[-1], text, expected), reason=Reason.DROPPED)
        elif serving is not None and not certain:
            text = f"{service} is reachable, but address translation may change the source on the way"
            yield unknown(serving, text, expected)
        elif serving is None or seen.ambiguous:
            yield unknown(heard[-1], f"{service} gave no conclusive response", expected)
        else:
            yield fail(serving, f"{service} is reachable", expected, value=service, vector="forbidden")


def _needed(seen: DeviceView, here: Heard, service: str, certain: bool) -> Iterator[Outcome]:
    expected = f"{service} is reachable from this segment"
    elsewhere = any(serving_us(service, heard) for heard in heard_by_port(seen.elsewhere, service))
    for heard in heard_by_port(here, service):
        serving = serving_us(service, heard)
        if serving is not None and not seen.ambiguous:
            yield passed(serving, f"{service} is reachable", expected)
        elif serving is None and elsewhere and certain:
            text = f"{service} serves another vantage point and not this one"
            yield fail(heard[-1], text, expected, vector="needed")
        elif elsewhere or not shut(service, heard):
            yield unknown(heard[-1], f"{service} gave no conclusive response", expected)


CHECK = Check(
    id="segment-reach",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, SnmpAnswer, SnmpEngine, AddressAsked),
    judge=judge,
    settings=Settings,
    vectors={
        "forbidden": "AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:A/EM:A",
        "needed": "AV:N/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:P",
    },
    remedy=SEGMENT_FILTER,
    controls=("AC-4", "SC-7"),
    reach=Reach.LOOK,
    version="3",
)
