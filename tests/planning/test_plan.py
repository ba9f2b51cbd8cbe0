"""From targets to addresses."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.errors import FileInvalid, ScopeRefused, UsageError
from hardenprobe.model import Reach, Vantage
from hardenprobe.planning.plan import Plan, check_scope, parse_ports, targets
from hardenprobe.scope.scope import Scope

OFFICE = Scope(name="office", networks=AddressSet.of(["192.0.2.0/24", "2001:db8::/32"]))


def planned(*texts: str, **changes: Any) -> Plan:
    plan = Plan(
        targets=targets(texts),
        tcp_ports=(21, 80),
        udp_ports=(161,),
        nobodys=AddressSet(),  # whatever links this machine has
        reach=Reach.ASK,
        scope=OFFICE,
        vantages=(Vantage(name="here", source="127.0.0.1"),),
        checks=frozenset({"cleartext-telnet"}),
        communities=("public",),
        http_paths=("/",),
    )
    return replace(plan, **changes)


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        pytest.param("192.0.2.7", "192.0.2.7", "192.0.2.7", id="an address"),
        pytest.param("192.0.2.0/24", "192.0.2.1", "192.0.2.254", id="a block, without its ends"),
        pytest.param("192.0.2.0/31", "192.0.2.0", "192.0.2.1", id="a point-to-point link (RFC 3021)"),
        pytest.param("192.0.2.7/32", "192.0.2.7", "192.0.2.7", id="a block of one"),
        pytest.param("192.0.2.0-192.0.2.255", "192.0.2.0", "192.0.2.255", id="first-last, as written"),
        pytest.param("2001:db8::/112", "2001:db8::", "2001:db8::ffff", id="IPv6, a /112"),
        pytest.param("::1", "::1", "::1", id="IPv6"),
        pytest.param("::ffff:192.0.2.7", "192.0.2.7", "192.0.2.7", id="IPv4-mapped"),
        pytest.param("::ffff:192.0.2.0/126", "192.0.2.1", "192.0.2.2", id="IPv4-mapped block"),
    ],
)
def test_a_target(text: str, first: str, last: str) -> None:
    (target,) = targets([text])
    assert (str(target.first), str(target.last)) == (first, last)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        pytest.param("192.0.2.5/24", "did you mean 192.0.2.0/24 or the address 192.0.2.5?", id="host bits"),
        pytest.param("2001:db8::/64", "wider than a /112", id="IPv6 sweep"),
        pytest.param("224.0.0.0/24", "multicast", id="multicast"),
        pytest.param("ff02::1", "multicast", id="IPv6 multicast"),
        pytest.param("223.255.255.250-224.0.0.5", "multicast", id="a range that ends in multicast"),
        pytest.param("192.0.2.9-192.0.2.1", "ends before it begins", id="turned round"),
        pytest.param("192.168.1", "no IP address", id="three numbers"),
        pytest.param("a..b", "no IP address", id="an empty label"),
        pytest.param("two words", "neither an address nor a name", id="two words"),
        pytest.param("http://192.0.2.1/", "no CIDR block", id="a web address"),
        pytest.param("\x1b[31m", "neither an address nor a name", id="control characters"),
        pytest.param("no-such-name.invalid", "does not resolve", id="a name that nobody has"),
        pytest.param("", "no IP address", id="empty"),
    ],
)
def test_a_wrong_target(text: str, says: str) -> None:
    with pytest.raises(UsageError) as caught:
        targets([text])
    assert says in str(caught.value)
    assert "\n" not in str(caught.value) and "\x1b" not in str(caught.value)


def test_a_name_is_looked_up_once_and_pinned() -> None:
    plan = planned("localhost", scope=Scope.loopback())
    assert {str(t.first) for t in plan.targets} <= {"127.0.0.1", "::1"}
    assert plan.names == {str(t.first): ("localhost",) for t in plan.targets}


@given(st.text(max_size=20))
def test_whatever_is_written_is_read_or_refused(text: str) -> None:
    if text.startswith("@"):
        return
    try:
        targets([text])
    except UsageError as error:
        assert "\n" not in str(error)


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str], str]:
    def written(text: str) -> str:
        (tmp_path / "targets").write_text(text)
        return f"@{tmp_path / 'targets'}"

    return written


def test_a_file_of_targets(write: Callable[[str], str]) -> None:
    text = "# the archive\n192.0.2.1\n\n192.0.2.0/30  # four of them\n"
    assert [t.text for t in targets([write(text)])] == ["192.0.2.1", "192.0.2.0/30"]


def test_a_csv_of_targets(write: Callable[[str], str]) -> None:
    text = 'asset_tag,addresses,place\nHO-1,192.0.2.1;192.0.2.2,archive\nHO-2,"192.0.2.3",\nHO-3,,\n'
    assert [t.text for t in targets([write(text)])] == ["192.0.2.1", "192.0.2.2", "192.0.2.3"]


def test_a_wrong_file_of_targets_names_its_line(write: Callable[[str], str], tmp_path: Path) -> None:
    with pytest.raises(FileInvalid) as caught:
        targets([write("192.0.2.1\n192.0.2.5/24\n")])
    assert str(caught.value).startswith(f"{tmp_path / 'targets'}:2: target ")
    with pytest.raises(FileInvalid, match="cannot be read"):
        targets([f"@{tmp_path / 'none'}"])


def test_every_address_once_without_what_is_excluded() -> None:
    scope = replace(OFFICE, exclude=AddressSet.of(["192.0.2.2"]))
    plan = planned("192.0.2.0/29", "192.0.2.5", "192.0.2.6-192.0.2.8", scope=scope)
    assert plan.wanted == AddressSet.of(["192.0.2.1", "192.0.2.3-192.0.2.8"])


def test_overlapping_targets_are_counted_once() -> None:
    assert planned("192.0.2.0/29", "192.0.2.5", "192.0.2.6-192.0.2.8").count == 8


def test_a_wide_plan_costs_no_memory() -> None:
    plan = planned("10.0.0.0/8")
    assert plan.count == 2**24 - 2
    assert plan.wanted == AddressSet.of(["10.0.0.1-10.255.255.254"])


ends = st.integers(0, 60)


def test_devices_are_expected_where_somebody_named_them() -> None:
    scope = replace(OFFICE, exclude=AddressSet.of(["192.0.2.2"]))
    plan = planned("192.0.2.0/29", "192.0.2.9", scope=scope)
    assert plan.expected(["192.0.2.1", "192.0.2.2", "192.0.2.77"]) == AddressSet.of(
        ["192.0.2.1", "192.0.2.9"]
    )


@given(st.lists(st.tuples(ends, ends), min_size=1, max_size=5), st.lists(ends, max_size=4))
def test_addresses_are_those_of_the_targets(pairs: list[tuple[int, int]], excluded: list[int]) -> None:
    texts = [f"192.0.2.{min(p)}-192.0.2.{max(p)}" for p in pairs]
    plan = planned(*texts, scope=replace(OFFICE, exclude=AddressSet.of(f"192.0.2.{n}" for n in excluded)))
    wanted = {n for p in pairs for n in range(min(p), max(p) + 1)}
    assert plan.wanted == AddressSet.of(f"192.0.2.{n}" for n in wanted - set(excluded))
    assert plan.count == len(wanted)


@pytest.mark.parametrize(
    ("plan", "says"),
    [
        pytest.param(planned("198.51.100.1"), "198.51.100.1 is outside", id="outside"),
        pytest.param(planned("192.0.2.250-192.0.3.5"), "192.0.3.0 is outside", id="half outside"),
        pytest.param(
            planned("192.0.2.1", scope=replace(OFFICE, exclude=AddressSet.of(["192.0.2.1"]))),
            "excluded",
            id="excluded",
        ),
        pytest.param(planned("192.0.2.1", reach=Reach.STRAIN), "reach strain is not granted", id="reach"),
        pytest.param(
            planned("192.0.2.1", scope=replace(OFFICE, sources=AddressSet.of(["192.0.2.9"]))),
            "source 127.0.0.1 is none",
            id="source",
        ),
    ],
)
def test_a_plan_that_leaves_the_scope_is_refused(plan: Plan, says: str) -> None:
    with pytest.raises(ScopeRefused, match=says):
        check_scope(plan)


def test_a_plan_within_the_scope_is_let_through() -> None:
    check_scope(planned("192.0.2.0/24", "2001:db8::1"))


def test_the_hash_changes_with_what_is_sent_to_whom_and_with_nothing_else() -> None:
    plan = planned("192.0.2.1")
    changed = [
        planned("192.0.2.2"),
        replace(plan, tcp_ports=(21,)),
        replace(plan, udp_ports=()),
        replace(plan, reach=Reach.LOOK),
        replace(plan, communities=()),
        replace(plan, http_paths=("/x",)),
        replace(plan, checks=frozenset()),
        replace(plan, port_offset=1000),
        replace(plan, vantages=(Vantage(name="here", source="127.0.0.2"),)),
        replace(plan, scope=replace(OFFICE, exclude=AddressSet.of(["192.0.2.9"]))),
    ]
    assert len({p.hash for p in (plan, *changed)}) == 1 + len(changed)
    assert planned("192.0.2.1").hash == plan.hash


@pytest.mark.parametrize(
    ("text", "ports"),
    [("21", (21,)), ("23,21", (21, 23)), ("9100-9103", (9100, 9101, 9102, 9103)), (" 80 , 80-81", (80, 81))],
)
def test_ports(text: str, ports: tuple[int, ...]) -> None:
    assert parse_ports(text) == ports


@pytest.mark.parametrize(
    "text", ["", "x", "21,", "-5", "5-", "9-5", "0", "65536", "1-70000", "²", "٣", "1" * 5000, "+5", "1.5"]
)
def test_wrong_ports(text: str) -> None:
    with pytest.raises(UsageError, match="--ports has"):
        parse_ports(text)


@given(st.text("0123456789,- x", max_size=15))
def test_whatever_ports_are_written_are_read_or_refused(text: str) -> None:
    try:
        found = parse_ports(text)
    except UsageError:
        return
    assert found == tuple(sorted(set(found)))
    assert all(1 <= port <= 65535 for port in found)
