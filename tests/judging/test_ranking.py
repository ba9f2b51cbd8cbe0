"""The order of work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.judging.ranking import rank as rank_on
from hardenprobe.model import (
    Accepted,
    Address,
    Advice,
    Device,
    DeviceAdvice,
    Remedy,
    Result,
    Said,
    Service,
    State,
    Word,
)
from hardenprobe.remediation.general import SNMP_V1_V2C_OFF, SNMP_V3, TELNET_OFF


def device(id: str, *services: tuple[str, int]) -> Device:
    return Device(
        id=id,
        addresses=(Address(address="192.0.2.1", family="ipv4"),),
        services=tuple(
            Service(address="192.0.2.1", transport="tcp", port=port, state=State.ACCEPTING, protocol=spoken)
            for spoken, port in services
        ),
    )


def rank(results: Sequence[Result], remedies: Mapping[str, Remedy]) -> tuple[Advice, ...]:
    return rank_on([device(id) for id in dict.fromkeys(r.device for r in results)], results, remedies)


def finding(key: str, remedy: str, score: float, device: str = "dev-1", vantage: str = "office") -> Result:
    return Result(
        finding=key,
        device=device,
        check="port-open",
        check_version="1",
        origin="hardenprobe",
        endpoint=None,
        subject=None,
        vantage=vantage,
        result=Word.FAIL,
        score=score,
        observed=Said(text="x"),
        expected=Said(text="y"),
        remedy=remedy,
    )


def remedy(key: str, after: Sequence[str] = ()) -> Remedy:
    return replace(TELNET_OFF, id=key, after=tuple(after))


def test_the_most_risk_removed_comes_first() -> None:
    known = {k: remedy(k) for k in "abc"}
    found = rank([finding("1", "a", 2.0), finding("2", "b", 5.0), finding("3", "a", 4.0)], known)
    assert [(a.rank, a.remedy.id, a.risk_removed) for a in found] == [(1, "a", 6.0), (2, "b", 5.0)]
    assert found[0].findings == ("1", "3")


def test_a_remedy_that_is_needed_is_pulled_up_to_just_before() -> None:
    known = {"off": remedy("off", ["v3"]), "v3": remedy("v3"), "other": remedy("other")}
    found = rank([finding("1", "off", 9.0), finding("2", "v3", 1.0), finding("3", "other", 5.0)], known)
    assert [(a.remedy.id, a.waits_for) for a in found] == [("v3", ()), ("off", ("v3",)), ("other", ())]


def test_what_nobody_needs_to_do_is_not_waited_for() -> None:
    (only,) = rank([finding("1", "snmp-v1-v2c-off", 4.3)], {SNMP_V1_V2C_OFF.id: SNMP_V1_V2C_OFF})
    assert SNMP_V1_V2C_OFF.after == (SNMP_V3.id,)
    assert only.waits_for == ()


def test_one_finding_from_two_vantage_points_is_one_risk() -> None:
    (only,) = rank(
        [finding("1", "a", 4.0), finding("1", "a", 4.0, vantage="guest"), finding("2", "a", 1.0, "dev-2")],
        {"a": remedy("a")},
    )
    assert (only.findings, only.devices, only.risk_removed) == (("1", "2"), ("dev-1", "dev-2"), 5.0)


def test_what_does_not_stand_is_not_worked_on() -> None:
    accepted = replace(finding("1", "a", 9.0), exception=Accepted(id="E-1", until="2027-01-01"))
    passed = replace(finding("2", "a", 9.0), result=Word.PASS, score=None, remedy=None)
    assert rank([accepted, passed], {"a": remedy("a")}) == ()


def test_a_circle_ends() -> None:
    known = {"a": remedy("a", ["b"]), "b": remedy("b", ["a"])}
    found = rank([finding("1", "a", 2.0), finding("2", "b", 1.0)], known)
    assert sorted(a.remedy.id for a in found) == ["a", "b"]


names = "abcdef"
graphs = st.fixed_dictionaries(
    # Later letters may need earlier ones: no circle.
    {n: st.lists(st.sampled_from(names[:i]), unique=True) if i else st.just([]) for i, n in enumerate(names)}
)
findings = st.lists(st.tuples(st.sampled_from(names), st.integers(0, 100)), max_size=12)


@given(graphs, findings)
def test_every_remedy_once_in_rank_after_what_it_needs(
    graph: dict[str, list[str]], scored: list[tuple[str, int]]
) -> None:
    known = {key: remedy(key, after) for key, after in graph.items()}
    given_ = [finding(str(i), key, tenths / 10) for i, (key, tenths) in enumerate(scored)]
    found = rank(given_, known)
    order = [a.remedy.id for a in found]
    assert sorted(order) == sorted({key for key, _ in scored})
    assert [a.rank for a in found] == list(range(1, len(found) + 1))
    assert rank(given_, known) == found
    for advice in found:
        assert set(advice.waits_for) == set(graph[advice.remedy.id]) & set(order)
        assert all(order.index(before) < order.index(advice.remedy.id) for before in advice.waits_for)


def places(found: Sequence[Advice]) -> list[tuple[str, str, str | None]]:
    return [(one.remedy.id, one.placed, one.placed_before) for one in found]


def test_only_a_device_that_needs_the_other_change_too_waits_for_it() -> None:
    known = {"off": remedy("off", ["v3"]), "v3": remedy("v3")}
    found = rank(
        [finding("1", "off", 4.0), finding("2", "off", 4.0, "dev-2"), finding("3", "v3", 1.0, "dev-2")], known
    )
    assert places(found) == [("v3", "prerequisite", "off"), ("off", "risk", None)]
    assert found[1].on_devices == (DeviceAdvice(device="dev-2", waits_for=("v3",)),)


def test_changes_of_different_devices_do_not_wait_for_each_other() -> None:
    known = {"off": remedy("off", ["v3"]), "v3": remedy("v3")}
    found = rank([finding("1", "off", 4.0), finding("3", "v3", 1.0, "dev-2")], known)
    assert places(found) == [("off", "risk", None), ("v3", "risk", None)]
    assert [one.waits_for for one in found] == [(), ()]


def test_a_high_finding_is_never_below_a_medium_one_of_a_single_device_unless_it_is_said_why() -> None:
    # NVD ratings for CVSS v2: high from 7.0.
    known = {key: remedy(key) for key in ("wide", "single", "grave")}
    found = rank(
        [
            finding("1", "wide", 5.0), finding("2", "wide", 5.0, "dev-2"), finding("3", "wide", 5.0, "dev-3"),
            finding("4", "single", 4.9), finding("5", "single", 4.9), finding("6", "grave", 7.5, "dev-2"),
        ],
        known,
    )  # fmt: skip
    assert [one.risk_removed for one in found] == [15.0, 7.5, 9.8]
    assert places(found) == [("wide", "risk", None), ("grave", "high", "single"), ("single", "risk", None)]


def test_what_takes_a_means_of_administration_away_says_what_is_left() -> None:
    bare, full = (
        device("dev-1", ("telnet", 23)),
        device("dev-2", ("telnet", 23), ("http", 80), ("ssh", 22), ("tls", 443)),
    )
    results = [finding("1", "telnet-off", 6.8), finding("2", "telnet-off", 6.8, "dev-2")]
    (only,) = rank_on([bare, full], results, {"telnet-off": TELNET_OFF})
    assert [(one.device, one.administration_left) for one in only.on_devices] == [
        ("dev-1", ()),
        ("dev-2", ("HTTPS (443/tcp)", "SSH (22/tcp)", "unencrypted HTTP (80/tcp)")),
    ]
