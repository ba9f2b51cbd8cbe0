"""A whole scan over a network of three segments, held verdict by verdict to what the declaration says."""

from __future__ import annotations

from typing import Any

import pytest
from support.network_examples import EXAMPLES

from hardenprobe.demo_lab.network_lab import ADMITTED, ADMITTED_V6, NETWORK, OTHER, STRAINED
from hardenprobe.demo_lab.truth_network import asking, fate, said, verdicts
from hardenprobe.facts import TcpPort

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]  # one fixture scans all networks

SEEDS = tuple(range(1, 21))  # those of conftest.py

LISTED = {a for s in NETWORK.stations for a in s.device.listed.addresses}


def test_every_verdict_is_the_declared_one(scanned: tuple[dict[str, Any], dict[str, Any]]) -> None:
    given_targets, made = scanned
    review, planned = made["review"], frozenset(given_targets.get("targets") or LISTED)
    vantages = asking(review, given_targets.get("sources", ()))
    truth = set(verdicts(NETWORK, vantages, review.coverage.tcp_ports, planned))

    assert said(review) == truth
    assert {v.word for v in truth} >= {"pass", "fail", "unknown", "notapplicable"}


def test_every_port_is_seen_as_the_source_that_asked_meets_it(
    scanned: tuple[dict[str, Any], dict[str, Any]],
) -> None:
    states = {"open": "accepting", "refusing": "refusing", "silent": "silent"}
    review = scanned[1]["review"]
    sources = {
        (o.vantage, o.facts.address): o.facts.source
        for seen in review.observations.values()
        for o in seen
        if o.kind == "address-asked"
    }
    looked = 0
    for station in NETWORK.stations:
        for seen in review.observations.values():
            for o in seen:
                if (
                    isinstance(o.facts, TcpPort)
                    and not o.facts.control
                    and o.endpoint.address in station.addresses
                ):
                    where = o.endpoint
                    became = fate(
                        station, where.address, sources[o.vantage, where.address], "tcp", where.port
                    )
                    assert o.facts.state == states[became], (where, o.vantage)
                    looked += 1
    assert looked > 200


def test_the_vantage_point_names_every_source_that_was_used(played: dict[str, Any]) -> None:
    (here,) = played["the route to each decides"]["review"].vantages
    assert here.sources == (ADMITTED, "10.77.2.2", ADMITTED_V6)
    several = played["three sources"]["review"].vantages
    assert [(v.source, v.sources, v.on_link) for v in several] == [
        (ADMITTED, (ADMITTED,), True),
        (OTHER, (OTHER,), True),
        (ADMITTED_V6, (ADMITTED_V6,), True),
    ]


def test_who_is_filtered_throughout_or_absent_is_missed_and_nobody_else(played: dict[str, Any]) -> None:
    review = played["the route to each decides"]["review"]
    assert {m.asset_tag for m in review.coverage.listed_not_seen} == {"NW-09", "NW-11", "NW-12"}


def test_an_address_that_nobody_listed_is_assessed_inside_the_scope_and_named_outside(
    played: dict[str, Any],
) -> None:
    """RFC 4293, ipAddressTable: the agent of NW-10 states its own IPv6 address, and one of another network."""
    review = played["the route to each decides"]["review"]
    (device,) = (d for d in review.devices if d.label == "NW-10")
    assert [a.address for a in device.addresses] == ["10.77.1.30", "fd00:77:1::30"]
    left_out = [(n.address, n.device, n.told_by, n.why) for n in review.coverage.not_assessed]
    assert ("192.0.2.30", device.id, "snmp", "outside the scope") in left_out


def test_the_link_layer_address_is_known_on_a_link_of_ours_alone(played: dict[str, Any]) -> None:
    review = played["the route to each decides"]["review"]
    near = {
        o.facts.address: o.facts.on_link
        for seen in review.observations.values()
        for o in seen
        if o.kind == "address-asked" and o.facts.outcome == "answered"
    }
    known: dict[str, set[str]] = {}
    for device in (d for d in review.devices if d.services):
        shown = {i.value for i in device.identity if i.kind == "link-layer"}
        assert bool(shown) == any(near.get(a.address) for a in device.addresses), device.label
        known[device.label] = shown
    assert any(known.values()) and not all(known.values())
    assert sum(map(len, known.values())) == len(set().union(*known.values()))  # one for each device


def test_limits_hold_and_raw_print_ports_hear_nothing(
    scanned: tuple[dict[str, Any], dict[str, Any]],
) -> None:
    """As counted on the stations' own links: over all addresses of a device, for each vantage point that the plan states."""
    counted, review = scanned[1]["counted"], scanned[1]["review"]
    for station in NETWORK.stations:
        if not station.absent:
            met = counted[station.tag]
            assert met["requests"] <= 120 * len(review.vantages)
            assert met["peak"] <= 1
            assert met["raw"] == 0
    assert sum(met["peak"] for met in counted.values()) > 2


@pytest.mark.parametrize("name", [*map(str, SEEDS), *EXAMPLES])
def test_no_verdict_on_a_random_network_is_wrong(name: str, played: dict[str, Any]) -> None:
    tried = played[name]
    assert "failed" not in tried, tried["failed"]
    assert (tried["wrong"], tried["missing"]) == (set(), set())


def test_random_networks_have_verdicts_of_every_kind(played: dict[str, Any]) -> None:
    words = [word for seed in SEEDS for word in played[str(seed)]["words"]]
    assert {
        word: words.count(word) > 15 for word in ("pass", "fail", "unknown", "notapplicable")
    } == dict.fromkeys(("pass", "fail", "unknown", "notapplicable"), True)


def test_no_verdict_is_wrong_where_requests_are_late_or_lost_or_too_many(played: dict[str, Any]) -> None:
    """What is open is found or not determined, never a pass; a filter is still told from a loss."""
    made = played["strained"]
    assert "failed" not in made, made["failed"]
    review = made["review"]
    tags = {d.id: d.label for d in review.devices}
    open_to_us = {"cleartext-telnet": 23, "cleartext-http-management": 80, "cleartext-print-raw": 9100}
    words: dict[str, set[str]] = {}
    for station in STRAINED.stations:
        for check, port in open_to_us.items():
            said = {
                str(r.result) for r in review.results if (tags[r.device], r.check) == (station.tag, check)
            }
            became = fate(station, station.addresses[0], ADMITTED, "tcp", port)
            assert said <= ({"fail", "unknown"} if became == "open" else {"pass", "unknown"}), station
            words.setdefault(became, set()).update(said)
        met = made["counted"][station.tag]
        assert met["requests"] <= 120
        assert met["raw"] == 0
        assert met["peak"] <= (2 if station.loss else 1)  # the news that one was closed may be lost
    assert "fail" in words["open"]
    assert "pass" in words["silent"]


@pytest.mark.parametrize(
    ("scan", "found"),
    [("no echo", []), ("an echo", ["10.77.3.21"]), ("first ports of the baseline", ["10.77.3.21"])],
)
def test_who_drops_what_is_asked_first_is_found_in_a_range_by_an_echo_or_by_other_first_ports(
    scan: str, found: list[str], played: dict[str, Any]
) -> None:
    made = played[scan]
    assert "failed" not in made, made["failed"]
    fails = [r.endpoint.address for r in made["review"].results if r.result == "fail"]
    assert fails == found
    asked = {tag: met["requests"] for tag, met in made["counted"].items()}
    assert asked["NR-02"] <= 8, (
        "nobody there, as far as can be told: the first look alone, or a few ports more"
    )
