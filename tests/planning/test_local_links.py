"""Network and broadcast addresses of the links that this machine stands on."""

from __future__ import annotations

import sys
from ipaddress import IPv4Address, ip_address
from pathlib import Path

import pytest

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.errors import ScopeRefused
from hardenprobe.model import Reach, Vantage
from hardenprobe.planning import local_links
from hardenprobe.planning.plan import Plan, check_scope, targets
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.scope import Scope

HEAD = "Iface\tDestination\tGateway \tFlags\tRefCnt\tUse\tMetric\tMask\t\tMTU\tWindow\tIRTT\n"


def row(network: str, mask: str, gateway: str = "0.0.0.0", flags: int = 1) -> str:
    """A line of the table as Linux writes it: addresses in hex, byte order of the machine (proc(5), /proc/net/route)."""

    def hex_of(address: str) -> str:
        return f"{int.from_bytes(IPv4Address(address).packed, sys.byteorder):08X}"

    return f"eth0\t{hex_of(network)}\t{hex_of(gateway)}\t{flags:04X}\t0\t0\t0\t{hex_of(mask)}\t0\t0\t0\n"


def test_the_example_of_a_little_endian_machine() -> None:
    """192.0.2.0 with mask 255.255.255.0, as such a machine prints it."""
    if sys.byteorder == "little":
        assert row("192.0.2.0", "255.255.255.0").split()[1::6] == ["000200C0", "00FFFFFF"]


def test_links_have_two_addresses_that_are_no_device(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    table = tmp_path / "route"
    table.write_text(
        HEAD
        + row("0.0.0.0", "0.0.0.0", gateway="192.0.2.62", flags=3)  # the default route
        + row("192.0.2.0", "255.255.255.192")
        + row("198.51.100.0", "255.255.255.0", gateway="192.0.2.62", flags=3)  # somebody else's link
        + row("203.0.113.8", "255.255.255.254")  # point to point: both are devices (RFC 3021)
        + row("203.0.113.128", "255.255.255.128", flags=0)  # down
    )
    monkeypatch.setattr(local_links, "ROUTES", table)
    local_links.ends.cache_clear()
    try:
        assert local_links.ends().cover() == ("192.0.2.0/32", "192.0.2.63/32")
        monkeypatch.setattr(local_links, "ROUTES", tmp_path / "none")
        local_links.ends.cache_clear()
        assert not local_links.ends()
    finally:
        local_links.ends.cache_clear()


def made(*asked: str) -> Plan:
    """A plan on a machine that stands on 192.0.2.0/26 and on a link that is not asked."""
    return Plan(
        targets=targets(asked),
        tcp_ports=(80,),
        udp_ports=(),
        reach=Reach.ASK,
        scope=Scope(name="n", networks=AddressSet.of(["192.0.2.0/24"])),
        vantages=(Vantage(name="here"),),
        checks=frozenset(),
        communities=(),
        http_paths=(),
        timing=Timing(),
        nobodys=AddressSet.of(["192.0.2.0", "192.0.2.63", "203.0.113.0", "203.0.113.255"]),
    )


def test_they_are_skipped_inside_a_range_and_refused_by_themselves() -> None:
    plan = made("192.0.2.0-192.0.2.70")
    assert ip_address("192.0.2.63") not in plan.wanted and "192.0.2.62" in plan.wanted
    assert plan.wanted.count == plan.count == 69
    check_scope(plan)
    with pytest.raises(ScopeRefused, match="network or broadcast address of a link of this machine"):
        check_scope(made("192.0.2.63"))


def test_a_link_that_is_not_asked_does_not_change_the_plan() -> None:
    plan = made("192.0.2.0-192.0.2.70")
    assert plan.nobodys.cover() == ("192.0.2.0/32", "192.0.2.63/32")


def neighbour(address: str, link_layer: str, link: int = 2) -> local_links.Neighbour:
    return local_links.Neighbour(address, True, link_layer, link)


def test_the_same_link_layer_address_on_one_link_is_the_same_device_unless_it_answers_for_many() -> None:
    table = {
        n.address: n
        for n in (
            neighbour("192.0.2.7", "02:00:00:00:00:07"),
            neighbour("2001:db8::7", "02:00:00:00:00:07"),
            neighbour("192.0.2.8", "02:00:00:00:00:08"),
            neighbour("198.51.100.7", "02:00:00:00:00:07", link=3),
            neighbour("127.0.0.1", "00:00:00:00:00:00", link=1),
            neighbour("127.0.0.2", "00:00:00:00:00:00", link=1),
            *(neighbour(f"203.0.113.{i}", "02:00:00:00:00:01") for i in range(20)),
        )
    }
    assert local_links.same_neighbour("192.0.2.7", table) == ["2001:db8::7"]
    assert not local_links.same_neighbour("127.0.0.1", table)
    assert not local_links.same_neighbour("203.0.113.4", table)  # a router, or a proxy
    assert not local_links.same_neighbour("192.0.2.99", table)
    assert local_links.link_layer("192.0.2.7", table) == table["192.0.2.7"].link_layer
    assert local_links.link_layer("203.0.113.4", table) is None
    assert local_links.link_layer("192.0.2.99", table) is None


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells by netlink")
def test_loopback_is_a_network_of_ours() -> None:
    ours = local_links.networks()
    assert ours is not None and "127.0.0.1" in ours
