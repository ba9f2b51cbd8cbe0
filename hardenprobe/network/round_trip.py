"""How long a device takes to answer, as TCP measures it: RFC 6298 section 2."""

from __future__ import annotations

from dataclasses import dataclass

GRANULARITY = 0.01  # seconds; G of RFC 6298, here the event loop's
AMBIGUOUS = (
    1.0  # seconds after which the system asks again by itself, and a reply may be to either (section 3)
)


@dataclass(eq=False)
class RoundTrip:
    """The round trip to one address, smoothed.

    Attributes:
        smoothed, variation: SRTT and RTTVAR, in seconds; None before the first measurement.

    >>> trip = RoundTrip()
    >>> trip.note(0.1)
    >>> round(trip.timeout, 3)
    0.3
    """

    smoothed: float | None = None
    variation: float = 0.0

    def note(self, seconds: float) -> None:
        """Take a measurement, unless it is ambiguous."""
        if seconds >= AMBIGUOUS:
            return
        if self.smoothed is None:
            self.smoothed, self.variation = seconds, seconds / 2
        else:
            self.variation = 0.75 * self.variation + 0.25 * abs(self.smoothed - seconds)
            self.smoothed = 0.875 * self.smoothed + 0.125 * seconds

    @property
    def timeout(self) -> float | None:
        """RTO: what an answer should not take; None before the first measurement. Bounds are the caller's."""
        return None if self.smoothed is None else self.smoothed + max(GRANULARITY, 4 * self.variation)

    def wait(self, least: float, most: float, unknown: float | None = None) -> float:
        """How long to wait for an answer, in seconds.

        Args:
            least: What a device may need by itself, however near it is.
            most: The limit of the baseline.
            unknown: What to wait before the first measurement; `most` by default.
        """
        timeout = self.timeout
        if timeout is None:
            return most if unknown is None else min(most, unknown)
        return min(most, max(least, timeout))
