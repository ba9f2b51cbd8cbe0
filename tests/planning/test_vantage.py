"""Which addresses are ours to ask from."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.devices.inventory import NetworkSegment
from hardenprobe.errors import ScopeRefused, UsageError
from hardenprobe.model import Vantage
from hardenprobe.planning import plan, vantage
from hardenprobe.scope import scope

OURS = ["127.0.0.1", "127.77.3.4"]
# The first is nobody's (RFC 5737). The others can be bound, and the system would then send from another address.
NOT_OURS = ["192.0.2.1", "0.0.0.0", "::", "127.255.255.255", "224.0.0.1", "255.255.255.255"]


def test_ours_is_what_something_can_be_sent_from() -> None:
    """In a process of its own: the guard of these tests would refuse what the system admits."""
    code = "import json, sys; from hardenprobe.planning.vantage import is_ours; print(json.dumps([*map(is_ours, sys.argv[1:])]))"
    done = subprocess.run([sys.executable, "-c", code, *OURS, *NOT_OURS], capture_output=True, check=True)
    assert json.loads(done.stdout) == [True] * len(OURS) + [False] * len(NOT_OURS)


@pytest.mark.parametrize("source", ["127.255.255.255", "192.0.2.1"])
def test_a_source_that_is_not_ours_is_refused(source: str) -> None:
    with pytest.raises(UsageError, match=f"--source {source} is no address of this machine: .+"):
        vantage.points([source], (), plan.targets(["127.0.0.1"]), scope.Scope.loopback())


BOTH = scope.Scope(name="lab", networks=scope.LOOPBACK, sources=AddressSet.of(["127.0.0.5", "::1"]))


def test_targets_for_whose_family_no_source_was_given_are_noticed() -> None:
    here = [Vantage(name="desk", source="127.0.0.1")]
    (said,) = vantage.notices(here, plan.targets(["127.77.0.1", "::1", "::2"]))
    assert said == (
        "vantage point desk: no --source is of the family of ::1 and 1 more; the route to each decides the source"
    )
    assert not vantage.notices(here, plan.targets(["127.77.0.1"]))
    (said,) = vantage.notices([Vantage(name="desk", source="::1")], plan.targets(["127.77.0.1"]))
    assert "no --source is of the family of 127.77.0.1; the route" in said
    assert not vantage.notices([Vantage(name="desk")], plan.targets(["127.77.0.1", "::1"]))


def test_without_a_source_the_route_to_each_target_decides() -> None:
    (one,) = vantage.points([], [], plan.targets(["127.77.0.1", "::1"]), scope.Scope.loopback())
    assert (one.name, one.source, one.sources) == ("here", None, ("127.0.0.1", "::1"))
    assert one.asks("127.77.0.1")
    assert one.asks("::1")


def test_a_source_asks_its_own_family_and_each_family_is_asked() -> None:
    both = plan.targets(["127.77.0.1", "::1"])
    (one,) = vantage.points(["127.0.0.5"], [], both, scope.Scope.loopback())
    assert (one.source, one.sources, one.families) == ("127.0.0.5", ("127.0.0.5", "::1"), ("ipv4", "ipv6"))
    several = vantage.points(["127.0.0.5", "127.0.0.6"], [], both, scope.Scope.loopback())
    assert [(v.name, v.source, v.families) for v in several] == [
        ("127.0.0.5", "127.0.0.5", ("ipv4",)),
        ("127.0.0.6", "127.0.0.6", ("ipv4",)),
        ("::1", None, ("ipv6",)),
    ]


def test_a_source_that_reaches_no_target_is_an_error_of_the_plan() -> None:
    with pytest.raises(UsageError, match=r"--source ::1 reaches no target: none is of its address family"):
        vantage.points(["::1"], [], plan.targets(["127.77.0.1"]), scope.Scope.loopback())
    elsewhere = scope.Scope(name="lab", networks=AddressSet.of(["192.0.2.0/24"]))
    with pytest.raises(UsageError, match=r"--source 127\.0\.0\.1 has no route to target 192\.0\.2\.7"):
        vantage.points(["127.0.0.1"], [], plan.targets(["192.0.2.7"]), elsewhere)


def test_only_the_testers_own_addresses_ask() -> None:
    (one,) = vantage.points(["127.0.0.5"], ["desk"], plan.targets(["127.77.0.1"]), BOTH)
    assert (one.name, one.source) == ("desk", "127.0.0.5")
    with pytest.raises(
        ScopeRefused, match=r"source 127\.0\.0\.1 is none of the testers' addresses in scope 'lab'"
    ):
        vantage.points([], [], plan.targets(["127.77.0.1"]), BOTH)  # loopback answers from 127.0.0.1


def test_where_the_system_chooses_for_the_other_family_it_must_choose_a_testers_address() -> None:
    vantage.points(["127.0.0.5"], [], plan.targets(["127.77.0.1", "::1"]), BOTH)  # ::1 asks itself
    without = scope.Scope(name="lab", networks=scope.LOOPBACK, sources=AddressSet.of(["127.0.0.5"]))
    with pytest.raises(ScopeRefused, match="source ::1 is none of the testers' addresses"):
        vantage.points(["127.0.0.5"], [], plan.targets(["127.77.0.1", "::1"]), without)


def test_of_a_cluster_the_named_vantage_points_ask_all_and_segments_say_which_ask_what() -> None:
    targets = plan.targets(["192.0.2.1-192.0.2.40", "198.51.100.7"])
    allowed = scope.Scope(name="office", networks=AddressSet.of(["192.0.2.0/24", "198.51.100.0/24"]))
    segments = (
        NetworkSegment(name="printers", networks=("192.0.2.0/25",), vantages=("office", "guests")),
        NetworkSegment(name="annex", networks=("198.51.100.0/24",), vantages=("office",)),
        NetworkSegment(name="far", networks=("203.0.113.0/24",), vantages=("far",)),
    )
    named = vantage.remote(["office", "guests"], segments, targets, allowed)
    assert [(one.name, one.networks) for one in named] == [("office", ()), ("guests", ())]
    told = vantage.remote([], segments, targets, allowed)
    assert {one.name: one.networks for one in told} == {
        "office": ("192.0.2.0/25", "198.51.100.0/24"),
        "guests": ("192.0.2.0/25",),
    }
    office, guests = told
    assert (office.asks("198.51.100.7"), guests.asks("198.51.100.7"), guests.asks("192.0.2.9")) == (
        True,
        False,
        True,
    )
    with pytest.raises(UsageError, match="198.51.100.7 is in no segment"):
        vantage.remote([], segments[:1], targets, allowed)
    with pytest.raises(UsageError, match="--cluster needs to know from where"):
        vantage.remote([], (), targets, allowed)
