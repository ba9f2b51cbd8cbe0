"""What the checks of remote screens have in common: ports that show no security type."""

from __future__ import annotations

from collections.abc import Iterator

from hardenprobe.checking.absence import off_tcp
from hardenprobe.checking.check import DeviceView, Outcome, unknown
from hardenprobe.facts import RfbSecurity
from hardenprobe.model import Observation


def no_type(screen: Observation[RfbSecurity], expected: str) -> Outcome:
    """A server that offers no security type, and why."""
    why = screen.facts.fault or f"refused: {screen.facts.reason!r}"
    return unknown(screen, f"no security type is offered: {why}", expected)


def untested(seen: DeviceView, expected: str) -> Iterator[Outcome]:
    """Ports that greet as RFB and were not tested; where there is no remote screen at all, what the ports say of that."""
    screens = seen.of(RfbSecurity)
    asked = {o.endpoint for o in screens}
    mute = [o for o in seen.accepting if o.facts.speaks == "rfb" and o.endpoint not in asked]
    for port in mute:
        yield unknown(port, "greets as RFB, and was not or could not be tested", expected)
    if not screens and not mute:
        yield off_tcp(seen, expected)
