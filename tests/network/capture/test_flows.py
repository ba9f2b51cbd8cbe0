"""Whose a packet is: only the scan's own sockets', each packet once."""

from __future__ import annotations

import time
from dataclasses import replace
from ipaddress import ip_address

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.model.transcript import Recorder
from hardenprobe.network.capture.flows import FRAGMENTED, LINGER, RECEIVED, SENT, TOLD, Flow, Flows
from hardenprobe.network.capture.frames import ICMP, SYN, TCP, UDP, Frame

US, DEVICE, OTHER = (ip_address(a).packed for a in ("192.0.2.1", "192.0.2.7", "192.0.2.8"))
OUT, IN = ("lan0", 4), ("lan0", 0)


def flow(protocol: int = TCP, port: int | None = 80, ours: bytes | None = None) -> Flow:
    key = (protocol, DEVICE, port, 40000)
    return Flow(key=key, transport="tcp", port=80, ours=ours, recorder=Recorder())


def frame(**changes: object) -> Frame:
    asked = Frame(
        source=US, target=DEVICE, protocol=TCP, start=20, payload=40, end=40, source_port=40000, target_port=80
    )  # fmt: skip
    return replace(asked, **changes)


def back(one: Frame) -> Frame:
    return replace(
        one, source=one.target, target=one.source, source_port=one.target_port, target_port=one.source_port
    )


@pytest.fixture
def flows() -> Flows:
    table = Flows()
    table.begin(flow())
    return table


def way(flows: Flows, one: Frame, place: tuple[str, int] = OUT, stamp: float = 0.0) -> str | None:
    found = flows.owner(one, place, stamp)
    return found[1] if found else None


def test_both_directions_and_errors_about_a_packet_are_the_scans(flows: Flows) -> None:
    assert way(flows, frame()) == SENT
    assert way(flows, back(frame()), IN) == RECEIVED
    about = Frame(
        source=OTHER, target=US, protocol=ICMP, start=20, payload=56, end=56, quoted=frame()
    )  # fmt: skip
    assert way(flows, about, IN) == TOLD, "a router may say it"


@pytest.mark.parametrize(
    "changes",
    [
        {"target": OTHER},
        {"target_port": 443},
        {"source_port": 40001},
        {"protocol": UDP},
        {"source": DEVICE, "target": US},
    ],
)
def test_whoever_differs_in_one_thing_is_somebody_else(flows: Flows, changes: dict[str, object]) -> None:
    assert way(flows, frame(**changes)) is None
    assert way(flows, back(frame(**changes))) is None


def test_another_process_behind_another_address_of_ours_is_somebody_else() -> None:
    flows = Flows()
    flows.begin(flow(ours=US))
    assert way(flows, frame()) == SENT
    assert way(flows, frame(source=OTHER)) is None
    assert way(flows, back(frame(source=OTHER)), IN) is None


def test_an_answer_from_any_port_counts_where_one_is_awaited() -> None:
    flows = Flows()
    flows.begin(flow(UDP, None))
    asked = frame(protocol=UDP, target_port=69)
    assert way(flows, asked) == SENT
    assert way(flows, back(replace(asked, target_port=52000)), IN) == RECEIVED
    assert way(flows, back(replace(asked, target=OTHER)), IN) is None


def test_a_packet_that_is_met_twice_counts_once(flows: Flows) -> None:
    for one, places in (
        (frame(), [("lo", 4), ("lo", 0)]),
        (back(frame()), [("uplink", 0), ("uplink.7", 0), ("bridge", 0)]),
    ):
        seen = [way(flows, one, place) is not None for place in places * 3]
        assert seen == ([True] + [False] * (len(places) - 1)) * 3


def test_a_closed_socket_s_port_is_soon_somebody_else_s() -> None:
    flows, mine = Flows(), flow()
    flows.begin(mine)
    flows.end(mine)
    assert mine.ended is not None
    flows.end(mine)
    before, soon, late = mine.ended - 0.1, mine.ended + LINGER / 2, mine.ended + LINGER + 0.1
    assert way(flows, frame(flags=SYN), stamp=before) == SENT
    assert way(flows, frame(flags=SYN), stamp=soon) is None, "another process begins there"
    assert way(flows, frame(), stamp=soon) == SENT, "a reset of ours"
    assert way(flows, back(frame()), IN, soon) == RECEIVED
    assert way(flows, back(frame()), IN, late) is None
    assert way(flows, frame(), stamp=late) is None


def test_what_is_long_closed_is_forgotten(monkeypatch: pytest.MonkeyPatch) -> None:
    flows = Flows()
    for _ in range(5):
        one = flow()
        one.key = (TCP, DEVICE, 80, 41000 + _)
        flows.begin(one)
        flows.end(one)
    now = time.time()
    monkeypatch.setattr(time, "time", lambda: now + 60)
    flows.begin(flow())
    assert len(flows._by_key) == 1


def test_later_fragments_belong_to_whom_the_first_belongs_to(flows: Flows) -> None:
    first = frame(protocol=UDP, more=True, ident=7)
    later = frame(protocol=UDP, offset=800, ident=7, source_port=0, target_port=0)
    assert way(flows, later) is None
    flows.begin(flow(UDP))
    assert way(flows, first) == SENT
    assert way(flows, later) == SENT
    assert way(flows, replace(later, ident=8)) is None
    assert way(flows, replace(later, target=OTHER)) is None
    for n in range(2 * FRAGMENTED):
        flows.owner(replace(first, ident=100 + n), OUT, 0.0)
    assert len(flows._fragments) <= FRAGMENTED


ports = st.integers(39998, 40002)
addresses = st.sampled_from([US, DEVICE, OTHER])


@given(addresses, addresses, ports, ports, st.sampled_from([TCP, UDP]))
def test_nothing_but_the_five_facts_of_a_socket_makes_a_packet_ours(
    source: bytes, target: bytes, source_port: int, target_port: int, protocol: int
) -> None:
    flows = Flows()
    mine = Flow(key=(TCP, DEVICE, 39999, 40000), transport="tcp", port=1, ours=US, recorder=Recorder())
    flows.begin(mine)
    one = frame(
        source=source, target=target, source_port=source_port, target_port=target_port, protocol=protocol
    )  # fmt: skip
    ends = {(source, source_port), (target, target_port)}
    assert (way(flows, one) is not None) == (protocol == TCP and ends == {(US, 40000), (DEVICE, 39999)})
