"""The order of work."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.judging.ranking import rank
from hardenprobe.model import Accepted, Endpoint, Remedy, Result, Said, Word
from hardenprobe.remediation.general import SNMP_V1_V2C_OFF, SNMP_V3, TELNET_OFF


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


def test_a_general_remedy_takes_only_what_no_other_one_mends() -> None:
    known = {"telnet-off": remedy("telnet-off"), "any-off": replace(remedy("any-off"), general=True)}

    def at(port: int, found: Result) -> Result:
        return replace(found, endpoint=Endpoint(address="192.0.2.1", transport="tcp", port=port))

    found = rank(
        [
            at(23, finding("1", "telnet-off", 2.0)),
            at(23, finding("2", "any-off", 9.0)),
            at(7, finding("3", "any-off", 1.0)),
            finding("4", "any-off", 0.5),
        ],
        known,
    )
    assert [(a.remedy.id, a.findings) for a in found] == [("telnet-off", ("1",)), ("any-off", ("3", "4"))]
