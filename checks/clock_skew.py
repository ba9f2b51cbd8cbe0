"""The device's clock is wrong.

Fails when
    A Date header or hrSystemDate differs from the scanner's clock by more than the baseline's seconds. A hrSystemDate without a
    zone is local time: it fails where no zone explains the difference.
Passes when
    The stated time is within the baseline's seconds.
Unknown when
    The scanner's clock is not verified, the device states no time, or it states one without a zone that some zone explains.
Reach
    ask: the pages that other checks read anyway, and hrSystemDate with a default community or one of the fleet's own.
Why it matters
    Log entries cannot be put in order, and expired certificates and tickets are accepted as valid.
Sources
    RFC 9110, section 6.6.1; RFC 2790, hrSystemDate; RFC 2579, DateAndTime; NIST SP 800-53 Rev. 5, AU-8 and SC-45
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, Any

from annotated_types import Ge, Lt

from hardenprobe import Check, DeviceView, Observation, Outcome, Reason, Word, fail, passed, unknown
from hardenprobe.facts import HttpAnswer, SnmpObjects
from hardenprobe.model import Said
from hardenprobe.remediation.fleet import CLOCK_SET
from hardenprobe.standards.device_time import StatedTime, ahead, date_and_time, http_date


@dataclass(frozen=True, kw_only=True)
class Settings:
    """How wrong a clock may be.

    Attributes:
        seconds: Either way; below 450, or a time without a zone could never be wrong: zones lie 900 seconds apart.
    """

    seconds: Annotated[int, Ge(1), Lt(450)]


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Compare each stated time with the scanner's at that moment, one for each endpoint."""
    expected = f"the device's clock is within {expect.seconds} seconds of the scanner's"
    told = {
        (o.endpoint and (o.endpoint.address, o.endpoint.port), source): (o, source, time)
        for o, source, time in reversed(list(_told(seen)))
    }
    if not told:
        text = Said(text="the device states no time")
        yield Outcome(
            word=Word.UNKNOWN, observed=text, expected=Said(text=expected), reason=Reason.INCONCLUSIVE
        )
    for one, source, time in told.values():
        off = round(ahead(time, _ours(one)))
        stated = f"{source} says {time.when.isoformat(timespec='seconds')}"
        if not seen.clock.proven:
            yield unknown(
                one,
                f"{stated}; the scanner's clock is not verified ({seen.clock.how})",
                expected,
                subject=source,
            )
        elif abs(off) > expect.seconds:
            way = "ahead" if off > 0 else "behind"
            yield fail(
                one,
                f"{stated}, {abs(off)} seconds {way}",
                expected,
                value=off,
                wanted=expect.seconds,
                subject=source,
            )
        elif not time.zoned:
            yield unknown(one, f"{stated} without a zone, which some zone explains", expected, subject=source)
        else:
            yield passed(
                one, f"{stated}, {off:+d} seconds from the scanner's", expected, value=off, subject=source
            )


def _told(seen: DeviceView) -> Iterator[tuple[Observation[Any], str, StatedTime]]:
    for page in seen.of(HttpAnswer):
        if page.facts.date and (time := http_date(page.facts.date)):
            yield page, "Date", time
    for objects in seen.of(SnmpObjects):
        if objects.facts.date and (time := date_and_time(bytes.fromhex(objects.facts.date))):
            yield objects, "hrSystemDate", time


def _ours(one: Observation[Any]) -> datetime:
    """Our clock when the last answer of an observation came."""
    came = [e.at for e in one.transcript if e.direction == "received"]
    return datetime.fromisoformat(one.asked_at) + timedelta(seconds=max(came, default=0.0))


CHECK = Check(
    id="clock-skew",
    document=__doc__,
    reads=(HttpAnswer, SnmpObjects),
    judge=judge,
    settings=Settings,
    vectors={"": "AV:N/AC:H/Au:N/C:N/I:P/A:N/PL:ND/EM:P"},
    remedy=CLOCK_SET,
    controls=("AU-8", "SC-45"),
    worse="further",
)
