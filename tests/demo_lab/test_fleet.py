"""demo_lab.fleet: any number of devices, each its own, each guilty of what its recipe is guilty of."""

from __future__ import annotations

import asyncio
import resource
import socket
import ssl
import time
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import pytest
from support.offset import OFFSET

from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.demo_lab import INVENTORY, fleet, running_lab, server
from hardenprobe.demo_lab.scan_lab import guilts, order, statements_of
from hardenprobe.demo_lab.truth import expected_findings, findings_of
from hardenprobe.devices import inventory
from hardenprobe.errors import UsageError
from hardenprobe.library import scan_and_judge
from hardenprobe.model import Word

SOURCE = "127.0.0.1"


@pytest.mark.slow
def test_the_same_count_and_seed_give_the_same_fleet():
    assert fleet.devices(60, seed=4) == fleet.devices(60, seed=4)
    assert fleet.devices(60, seed=4) != fleet.devices(60, seed=5)


def test_a_device_is_never_another():
    listed = [d.listed for d in fleet.devices(600)]

    for own in ("asset_tag", "addresses", "names"):
        assert len({getattr(one, own) for one in listed}) == 600
    assert len({one.serial for one in listed if one.serial}) == sum(1 for one in listed if one.serial)
    lasts = {one.addresses[0].rpartition(".")[2] for one in listed}
    assert {"1", "254"} <= lasts
    assert not lasts & {"0", "255"}
    assert all(one.addresses[0].startswith("127.80.") for one in listed)


def test_its_targets_hold_every_address():
    assert fleet.span(600) == "127.80.0.1-127.80.2.92"
    assert fleet.devices(600)[-1].listed.addresses == ("127.80.2.92",)


@pytest.mark.parametrize("count", [0, -1, 65025])
def test_a_count_that_cannot_be(count):
    with pytest.raises(UsageError, match="1 to 65024"):
        fleet.devices(count)


def test_its_inventory_reads_back_as_what_was_made(tmp_path: Path):
    made = fleet.devices(40)
    fleet.write(made, tmp_path / "fleet.yaml")
    read = inventory.load(tmp_path / "fleet.yaml")

    assert read.devices == tuple(replace(d.listed, lab=None) for d in made)
    assert read.approved_networks == inventory.load(INVENTORY).approved_networks


@pytest.mark.slow
def test_each_device_is_guilty_of_what_its_recipe_is_guilty_of():
    made = fleet.devices(300)
    of_recipe = defaultdict(set)
    for guilt in expected_findings(INVENTORY, SOURCE):
        of_recipe[guilt.device].add(replace(guilt, device=""))
    found = defaultdict(set)
    for guilt in findings_of(made, SOURCE, inventory.load(INVENTORY).approved_networks):
        found[guilt.device].add(replace(guilt, device=""))

    assert {fleet.recipe(d) for d in made} == set(fleet.RECIPES)
    for device in made:
        assert found[device.listed.asset_tag] == of_recipe[fleet.recipe(device)], fleet.recipe(device)


def test_a_limit_on_open_files_that_is_too_low_is_named(monkeypatch):
    monkeypatch.setattr(resource, "getrlimit", lambda _: (1024, 4096))

    with pytest.raises(UsageError, match="9000 ports need 9512 open files and this user may have 4096"):
        server._allow_files(9000)


@pytest.mark.slow
def test_a_fleet_of_2500_starts_at_once_and_refuses_where_it_has_nothing():
    began = time.monotonic()
    with running_lab(fleet=2500, port_offset=OFFSET) as lab:
        started = time.monotonic() - began
        status = Path(f"/proc/{lab.pid}/status").read_text()
        resident = int(status.partition("VmRSS:")[2].split()[0]) // 1024
        print(f"{lab.devices} devices, {lab.sockets} ports, start {started:.2f} s, {resident} MiB")
        assert lab.devices == 2500
        assert started < 5
        assert resident < 256
        secure = [d for d in fleet.devices(2500) if fleet.recipe(d) == "RP-0103"]
        for device in (secure[0], secure[-1]):
            (address,) = device.listed.addresses
            with pytest.raises(
                ConnectionRefusedError
            ):  # a scanner without telnet, beside others that have it
                socket.create_connection((address, 23 + OFFSET), 5)
            context = ssl.create_default_context(cafile=str(lab.ca_file))
            with (
                socket.create_connection((address, 443 + OFFSET), 5) as line,
                context.wrap_socket(line, server_hostname=device.listed.names[0]) as secured,
            ):
                assert secured.version() == "TLSv1.3"
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.80.0.255", 443 + OFFSET), 5)


@pytest.mark.slow
def test_a_scan_of_a_fleet_finds_its_truth():
    count = 24  # each recipe is there
    made = fleet.devices(count)
    assert {fleet.recipe(d) for d in made} == set(fleet.RECIPES)
    with running_lab(fleet=count, port_offset=OFFSET) as lab:
        job, rules = order(lab, [fleet.span(count)], SOURCE)
        rules = replace(rules, decisions=Decisions(statements=statements_of(made)))
        found = asyncio.run(scan_and_judge(job, rules))
    truth = findings_of(made, SOURCE, job.inventory.approved_networks)
    judged = {guilt.check for guilt in expected_findings(INVENTORY, SOURCE)}

    assert {g for g in guilts(found) if g.check in judged} == truth
    assert not [r for r in found.results if r.result is Word.ERROR]
    assert found.coverage.answered == count
