"""network.round_trip: how long an answer may take."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.network.round_trip import GRANULARITY, RoundTrip


def test_the_computation_of_rfc_6298_section_2() -> None:
    """SRTT = R and RTTVAR = R/2; then RTTVAR = 3/4 RTTVAR + 1/4 |SRTT - R'| and SRTT = 7/8 SRTT + 1/8 R'; RTO = SRTT + max(G, 4 RTTVAR)."""
    trip = RoundTrip()
    assert trip.timeout is None
    trip.note(0.4)
    assert (trip.smoothed, trip.variation, trip.timeout) == (0.4, 0.2, 0.4 + 4 * 0.2)
    trip.note(0.2)
    assert trip.variation == 0.75 * 0.2 + 0.25 * 0.2
    assert trip.smoothed == 0.875 * 0.4 + 0.125 * 0.2


def test_what_may_answer_a_repeated_request_is_no_measurement() -> None:
    """RFC 6298 section 3, and section 2.1: the system repeats after one second."""
    trip = RoundTrip()
    trip.note(1.2)
    assert trip.smoothed is None


@given(st.lists(st.floats(0, 0.9), max_size=9), st.floats(0.01, 1), st.floats(1, 4))
def test_a_wait_keeps_its_bounds(measured: list[float], least: float, most: float) -> None:
    trip = RoundTrip()
    for seconds in measured:
        trip.note(seconds)
    assert least <= trip.wait(least, most) <= most
    if trip.timeout is not None and measured:
        assert trip.timeout >= GRANULARITY
    if not measured:
        assert trip.wait(least, most) == most
        assert trip.wait(least, most, unknown=0.5) == 0.5
