"""Which device answered: addresses move, keys are shared, names are reused."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support.tls import chain, tls_port

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.devices import inventory
from hardenprobe.devices.identity import Fleet, settle
from hardenprobe.devices.inventory import Inventory
from hardenprobe.devices.visit_notes import VisitNotes
from hardenprobe.facts import (
    AddressAsked,
    DeclaredAllowList,
    DeclaredDevice,
    OtherAddress,
    SnmpEngine,
    SnmpObjects,
    SshHostKey,
)
from hardenprobe.facts.snmp import HR_DEVICE_DESCR, PRT_SERIAL, SYS_DESCR, SYS_NAME
from hardenprobe.model import Cost, Coverage, Device, Elsewhere, Observation, State, Vantage
from hardenprobe.model.visit import Visit
from hardenprobe.testing import at, declared, snmp_answer, tcp_port

LISTED = """\
inventory: "hardenprobe.inventory/1"
approved_networks: ["192.0.2.0/24"]
devices:
  - asset_tag: "HO-1"
    addresses: ["127.0.9.10", "::1"]
    serial: "QM-1"
    kind: "printer"
    names: ["one.example.org"]
    place: "archive"
    allow_lists: [{services: ["https"], entries: ["192.0.2.0/25"]}]
  - asset_tag: "HO-2"
    addresses: ["127.0.9.11"]
"""


@pytest.fixture
def known(tmp_path: Path) -> Inventory:
    (tmp_path / "i.yaml").write_text(LISTED)
    return inventory.load(tmp_path / "i.yaml")


def stated(address: str, **values: str) -> Observation[Any]:
    oids = {
        "serial": PRT_SERIAL,
        "name": SYS_NAME,
        "model": HR_DEVICE_DESCR,
        "descr": SYS_DESCR,
    }
    return snmp_answer(address=address, values={oids[k]: v for k, v in values.items()})


def engine(address: str, engine_id: str, **more: Any) -> Observation[Any]:
    facts = SnmpEngine(state=State.ACCEPTING, engine_id=engine_id, **more)
    return at(161, facts, transport="udp", protocol="snmp", address=address)


def visit(address: str, *seen: Observation[Any], outcome: str = "answered", vantage: str = "office") -> Visit:
    seen = seen or (tcp_port(80, address=address),)
    return Visit(
        address=address,
        vantage=vantage,
        outcome=outcome,
        observations=seen if outcome in ("answered", "unfinished") else (),
        cost=Cost(connections=2),
    )


def settled(*visits: Visit, known: Inventory = Inventory(), **names: tuple[str, ...]) -> Fleet:  # noqa: B008
    return settle(
        VisitNotes.of(visits), known, {a.replace("_", "."): n for a, n in names.items()}, Coverage(planned=9)
    )


def tags(devices: Sequence[Device]) -> list[tuple[str | None, list[str]]]:
    return [(d.asset_tag, [a.address for a in d.addresses]) for d in devices]


def test_a_device_at_its_listed_address(known: Inventory) -> None:
    (device,) = settled(visit("127.0.9.10"), known=known).devices
    assert (device.asset_tag, device.kind, device.place) == ("HO-1", "printer", "archive")
    assert device.names == ("one.example.org",)
    assert device.label == "HO-1"
    assert [(i.kind, i.value) for i in device.identity] == [("asset-tag", "HO-1"), ("serial", "QM-1")]


def test_a_device_keeps_its_id_when_its_address_moves(known: Inventory) -> None:
    (home,) = settled(visit("127.0.9.10"), known=known).devices
    (moved,) = settled(visit("127.0.9.99", stated("127.0.9.99", serial="QM-1")), known=known).devices
    assert (moved.id, moved.asset_tag) == (home.id, "HO-1")


def test_two_devices_that_swapped_addresses_are_told_by_serial(known: Inventory) -> None:
    found = settled(
        visit("127.0.9.11", stated("127.0.9.11", serial="QM-1")),
        visit("127.0.9.10", stated("127.0.9.10", serial="QM-9")),
        known=known,
    )
    met = [d for d in found.devices if d.services]
    assert tags(met) == [(None, ["127.0.9.10"]), ("HO-1", ["127.0.9.11"])]
    assert [(m.asset_tag, m.why) for m in found.coverage.listed_not_seen] == [
        ("HO-2", "another device answered there")
    ]


def test_both_families_of_a_listed_device_are_one(known: Inventory) -> None:
    found = settled(visit("::1"), visit("127.0.9.10"), known=known)
    assert tags(found.devices) == [("HO-1", ["127.0.9.10", "::1"])]
    assert found.devices[0].cost.connections == 4
    assert [a.family for a in found.devices[0].addresses] == ["ipv4", "ipv6"]


def test_a_serial_joins_two_addresses_only_where_something_else_agrees() -> None:
    pair = ("127.0.9.20", "127.0.9.21")

    def both(*more: Any) -> Fleet:
        return settled(*(visit(a, stated(a, serial="X1"), *(m(a) for m in more)) for a in pair))

    assert tags(both().devices) == [(None, ["127.0.9.20"]), (None, ["127.0.9.21"])]
    assert len({d.id for d in both().devices}) == 2
    together = both(lambda a: engine(a, "8000000001", boots=7, time=5000))
    assert tags(together.devices) == [(None, ["127.0.9.20", "127.0.9.21"])]
    # A clone has the same settings, and was started at another time.
    for other in ({"boots": 8, "time": 5000}, {"boots": 7, "time": 9000}):
        found = settled(
            visit(pair[0], stated(pair[0], serial="X1"), engine(pair[0], "8000000001", boots=7, time=5000)),
            visit(pair[1], stated(pair[1], serial="X1"), engine(pair[1], "8000000001", **other)),
        )
        assert len(found.devices) == 2


def host_key(address: str, sha256: str) -> Observation[Any]:
    facts = SshHostKey(
        key_type="ssh-ed25519",
        asked="ssh-ed25519",
        method="curve25519-sha256",
        bits=256,
        sha256=sha256,
        proven=True,
    )
    return at(22, facts, protocol="ssh", address=address)


def up_for(address: str, seconds: float) -> Observation[Any]:
    facts = SnmpObjects(version="2c", label="public", origin="default", uptime=seconds)
    return at(161, facts, transport="udp", protocol="snmp", address=address)


@pytest.mark.parametrize(
    ("others_key", "others_uptime", "devices"),
    [("aa", 5001.0, 1), ("aa", 5600.0, 2), ("bb", 5000.0, 2)],
    ids=["same key, same start", "same key, another start: a copy of the settings", "another key"],
)
def test_one_host_key_joins_addresses_of_one_serial_that_were_started_together(
    others_key: str, others_uptime: float, devices: int
) -> None:
    one, two = "127.0.9.20", "127.0.9.21"
    found = settled(
        visit(one, stated(one, serial="X1"), host_key(one, "aa" * 32), up_for(one, 5000.0)),
        visit(two, stated(two, serial="X1"), host_key(two, others_key * 32), up_for(two, others_uptime)),
    )
    assert len(found.devices) == devices


def test_one_engine_id_without_a_serial_needs_the_same_boots_and_time() -> None:
    one, two = "127.0.9.20", "127.0.9.21"
    for boots, devices in ((7, 1), (8, 2)):
        found = settled(
            visit(one, engine(one, "8000000001", boots=7, time=5000)),
            visit(two, engine(two, "8000000001", boots=boots, time=5010)),
        )
        assert len(found.devices) == devices


def test_one_link_layer_address_joins_addresses_of_one_serial_alone() -> None:
    one, two = "192.0.2.20", "192.0.2.21"
    link = {"link_layer": "02:00:5e:00:53:01"}
    for serial, devices in (("X1", 1), ("X2", 2)):
        found = settled(
            replace(visit(one, stated(one, serial="X1")), **link),
            replace(visit(two, stated(two, serial=serial)), **link),
        )
        assert len(found.devices) == devices
    strangers = settled(replace(visit(one), **link), replace(visit(two), **link))
    assert len(strangers.devices) == 2  # a router may answer for others


def test_another_key_vetoes_one_serial() -> None:
    pair = ("127.0.9.20", "127.0.9.21")
    seen = [
        visit(
            a, stated(a, serial="X1"), engine(a, "8000000001", boots=7, time=5000),
            at(443, tls_port("TLS 1.2", chains=(chain(spki_sha256=key * 32),)), protocol="tls", address=a),
        )
        for a, key in zip(pair, ("aa", "bb"), strict=True)
    ]  # fmt: skip
    assert len(settled(*seen).devices) == 2


def test_a_clone_of_a_listed_device_is_not_the_listed_one(known: Inventory) -> None:
    found = settled(
        visit("127.0.9.99", stated("127.0.9.99", serial="QM-1")),
        visit("127.0.9.10", stated("127.0.9.10", serial="QM-1")),
        known=known,
    )
    assert tags([d for d in found.devices if d.services]) == [
        ("HO-1", ["127.0.9.10"]),
        (None, ["127.0.9.99"]),
    ]


def test_two_strangers_that_show_a_listed_serial_are_neither(known: Inventory) -> None:
    pair = ("127.0.9.98", "127.0.9.99")
    found = settled(*(visit(a, stated(a, serial="QM-1")) for a in pair), known=known)
    assert tags([d for d in found.devices if d.services]) == [(None, [a]) for a in pair]
    assert "HO-1" in {m.asset_tag for m in found.coverage.listed_not_seen}


@pytest.mark.parametrize(
    "shared",
    [
        pytest.param(lambda a: engine(a, "8000000001"), id="a cloned engine id"),
        pytest.param(
            lambda a: at(443, tls_port("TLS 1.2"), protocol="tls", address=a), id="a shared TLS key"
        ),
        pytest.param(lambda a: stated(a, name="printer"), id="a name that is used twice"),
    ],
)
def test_nothing_weaker_joins_two_addresses(shared: Any) -> None:
    found = settled(*(visit(a, shared(a)) for a in ("127.0.9.20", "127.0.9.21")))
    assert tags(found.devices) == [(None, ["127.0.9.20"]), (None, ["127.0.9.21"])]
    assert len({d.id for d in found.devices}) == 2


def test_an_engine_id_of_its_own_names_an_unlisted_device_wherever_it_is() -> None:
    (first,) = settled(visit("127.0.9.20", engine("127.0.9.20", "8000000001"))).devices
    (again,) = settled(visit("127.0.9.30", engine("127.0.9.30", "8000000001"))).devices
    assert first.id == again.id


def test_one_address_from_two_vantage_points_is_one_device() -> None:
    found = settled(visit("127.0.9.20"), visit("127.0.9.20", vantage="guest"))
    assert len(found.devices) == 1
    assert len(found.observations[found.devices[0].id]) == 2
    assert (found.coverage.visited, found.coverage.answered) == (1, 1)


def test_what_is_declared_is_observed_beside_what_was_seen(known: Inventory) -> None:
    found = settled(visit("127.0.9.10"), known=known)
    facts = [o.facts for o in found.observations[found.devices[0].id]]
    entry, allowed = facts[:2]
    assert isinstance(entry, DeclaredDevice) and entry.asset_tag == "HO-1"
    assert isinstance(allowed, DeclaredAllowList)
    assert (allowed.entries, allowed.approved, allowed.position) == (("192.0.2.0/25",), ("192.0.2.0/24",), 1)


def test_names_come_from_inventory_target_and_device(known: Inventory) -> None:
    found = settled(
        visit("127.0.9.10", stated("127.0.9.10", name="sys")),
        known=known,
        **{"127_0_9_10": ("asked.example.org",)},
    )
    assert found.devices[0].names == ("one.example.org", "asked.example.org", "sys")


def test_the_model_is_what_the_printer_says_before_what_the_system_says() -> None:
    both = visit("127.0.9.20", stated("127.0.9.20", descr="system", model="Quillmark 40"))
    assert settled(both).devices[0].make_model == "Quillmark 40"
    assert (
        settled(visit("127.0.9.20", stated("127.0.9.20", descr="system"))).devices[0].make_model == "system"
    )
    assert settled(visit("127.0.9.20")).devices[0].make_model is None


def test_services_are_what_did_something() -> None:
    address = "127.0.9.20"
    (device,) = settled(
        visit(
            address,
            tcp_port(80, address=address),
            at(80, tls_port(), protocol="http", address=address),
            tcp_port(81, State.REFUSING, address=address),
            tcp_port(50000, address=address, control=True),
            snmp_answer(state=State.SILENT, address=address),
        )
    ).devices
    assert [(s.transport, s.port, s.state, s.protocol) for s in device.services] == [
        ("tcp", 80, State.ACCEPTING, "http"),
        ("udp", 161, State.SILENT, "snmp"),
    ]


def test_coverage_counts_addresses_and_names_what_is_missing(known: Inventory) -> None:
    found = settled(
        visit("127.0.9.10", outcome="silent"),
        visit("::1", outcome="refused"),
        visit("127.0.9.20"),
        replace(visit("127.0.9.21", outcome="unfinished"), observations=(), why="the window closed"),
        known=known,
    )
    coverage = found.coverage
    assert (coverage.planned, coverage.visited, coverage.answered) == (9, 3, 1)
    assert coverage.unfinished == ("127.0.9.21",)
    assert [(m.asset_tag, m.why) for m in coverage.listed_not_seen] == [
        ("HO-1", "silent"),
        ("HO-2", "not planned"),
    ]
    assert [u.address for u in coverage.seen_not_listed] == ["127.0.9.20"]


def test_nobody_there_is_no_device() -> None:
    found = settled(visit("127.0.9.20", outcome="silent"), visit("127.0.9.21", outcome="refused"))
    assert (found.devices, dict(found.observations), found.coverage.answered) == ((), {}, 0)


def test_devices_come_in_the_order_of_their_addresses() -> None:
    found = settled(*(visit(a) for a in ("127.0.9.100", "::1", "127.0.9.20")))
    assert [d.addresses[0].address for d in found.devices] == ["127.0.9.20", "127.0.9.100", "::1"]


def test_coverage_names_who_was_met_and_not_as_listed(tmp_path: Path) -> None:
    (tmp_path / "i.yaml").write_text(
        'inventory: "hardenprobe.inventory/1"\n'
        "devices:\n"
        '  - {asset_tag: "HO-1", addresses: ["127.0.9.10"], serial: "A-1", names: ["ho-1.print.example"]}\n'
        '  - {asset_tag: "HO-2", addresses: ["127.0.9.11"], serial: "A-2", names: ["ho-2.print.example"]}\n'
        '  - {asset_tag: "HO-3", addresses: ["127.0.9.12", "0:0::9:12"], names: ["ho-3.print.example"]}\n'
        '  - {asset_tag: "HO-4", addresses: ["127.0.9.13"]}\n'
    )
    found = settled(
        visit("127.0.9.20", stated("127.0.9.20", serial="A-1", name="HO-1")),
        visit("127.0.9.11", stated("127.0.9.11", serial="A-2", name="stranger")),
        visit("127.0.9.12", stated("127.0.9.12", name="ho-3.office.example")),
        visit("::9:12", tcp_port(80, address="::9:12")),
        known=inventory.load(tmp_path / "i.yaml"),
    )
    by_tag = {d.asset_tag: d.id for d in found.devices}
    assert found.coverage.listed_seen == ("HO-2", "HO-3", "HO-1")
    assert found.coverage.seen_elsewhere == (
        Elsewhere(
            asset_tag="HO-2",
            device=by_tag["HO-2"],
            what="name",
            listed=("ho-2.print.example",),
            seen=("stranger",),
        ),
        Elsewhere(
            asset_tag="HO-1",
            device=by_tag["HO-1"],
            what="address",
            listed=("127.0.9.10",),
            seen=("127.0.9.20",),
        ),
    )


def told(visited: str, other: str, **of: Any) -> tuple[Visit, Visit]:
    """A device that states another address, and the visit there."""
    facts = OtherAddress(address=other, told_by="snmp")
    seen = (tcp_port(80, address=visited), declared(facts), *of.pop("states", ()))
    return visit(visited, *seen), replace(visit(other, *of.pop("there", ())), same_as=visited)


def test_what_a_device_states_to_have_besides_is_an_address_of_it(known: Inventory) -> None:
    found = settled(*told("127.0.9.11", "fd00::11"), known=known)
    assert tags(found.devices)[0] == ("HO-2", ["127.0.9.11", "fd00::11"])
    nobody = settled(*told("127.0.9.12", "fd00::12"))
    assert tags(nobody.devices) == [(None, ["127.0.9.12", "fd00::12"])]


def test_a_device_that_is_silent_where_it_is_listed_is_met_where_a_name_server_says(known: Inventory) -> None:
    told = [declared(OtherAddress(address=a, told_by="dns")) for a in ("fd00::11", "fd00::12")]
    silent = replace(visit("127.0.9.11", outcome="silent"), observations=tuple(told))
    there = [replace(visit(one.facts.address), same_as="127.0.9.11") for one in told]
    found = settled(silent, *there, known=known)
    assert tags(found.devices)[0] == ("HO-2", ["127.0.9.11", "fd00::11", "fd00::12"])
    assert [missed.asset_tag for missed in found.coverage.listed_not_seen] == ["HO-1"]
    stranger = replace(there[0], observations=(stated("fd00::11", serial="QM-1"),))
    found = settled(silent, stranger, known=known)
    assert ("HO-1", ["fd00::11"]) in tags(found.devices), "its serial is another device's of the inventory"


def test_an_address_that_another_device_has_is_not_taken_by_stating_it(known: Inventory) -> None:
    """A hostile agent names the address of a listed device, and one that states a serial of its own."""
    found = settled(*told("127.0.9.12", "127.0.9.11"), known=known)
    assert sorted(tags(found.devices)[:2], key=lambda t: t[0] or "") == [
        (None, ["127.0.9.12"]),
        ("HO-2", ["127.0.9.11"]),
    ]
    stranger = [stated("127.0.9.13", serial="XX-9")]
    found = settled(
        *told("127.0.9.12", "127.0.9.13", states=[stated("127.0.9.12", serial="XX-1")], there=stranger)
    )
    assert [d.addresses[0].address for d in found.devices] == ["127.0.9.12", "127.0.9.13"]


def test_each_planned_address_is_told_of_from_each_vantage_point(known: Inventory) -> None:
    points = (Vantage(name="office"), Vantage(name="guest"))
    planned = AddressSet.of(["127.0.9.10", "::1"])
    quiet = replace(visit("::1", outcome="silent"), observations=(tcp_port(80, State.SILENT, address="::1"),))
    found = settle(
        VisitNotes.of([visit("127.0.9.10"), quiet]), known, {}, Coverage(), planned=planned, vantages=points
    )
    (device,) = (d for d in found.devices if d.asset_tag == "HO-1")
    asked = [
        (o.vantage, o.facts.address, o.facts.outcome)
        for o in found.observations[device.id]
        if isinstance(o.facts, AddressAsked)
    ]
    assert asked == [
        ("office", "127.0.9.10", "answered"),
        ("office", "::1", "silent"),
        ("guest", "127.0.9.10", "not asked"),
        ("guest", "::1", "not asked"),
    ]
