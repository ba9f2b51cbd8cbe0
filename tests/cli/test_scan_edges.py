"""`hardenprobe scan --source edges`: declared lists put to the test from both sides of every edge, on devices of the lab."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.offset import OFFSET

from hardenprobe.demo_lab.process import running_lab

Command = Callable[..., Any]

DECLARED = ("127.77.1.16/28", "127.77.2.7-127.77.2.9", "127.77.4.5/255.255.254.255")
INSIDE = {"127.77.1.16", "127.77.1.31", "127.77.2.7", "127.77.2.9", "127.77.4.5", "127.77.5.5"}
OUTSIDE = {
    "127.77.1.15", "127.77.1.32", "127.77.2.6", "127.77.2.10",
    "127.77.4.4", "127.77.4.6", "127.77.5.4", "127.77.5.6",
}  # fmt: skip
APPLIED = {
    "EDGE-1": (DECLARED, set(), set()),
    # One address too many at each of two edges, and one that only a mask with gaps tells apart.
    "EDGE-2": (
        ("127.77.1.15", "127.77.1.16/28", "127.77.2.7-127.77.2.10", "127.77.4.4/255.255.254.254"),
        {"127.77.1.15", "127.77.2.10", "127.77.4.4", "127.77.5.4"},
        set(),
    ),
    # The last of each is left out.
    "EDGE-3": (
        ("127.77.1.16-127.77.1.30", "127.77.2.7-127.77.2.8", "127.77.4.5"),
        set(),
        {"127.77.1.31", "127.77.2.9", "127.77.5.5"},
    ),
}


def device(number: int, tag: str, entries: tuple[str, ...]) -> str:
    return f"""
  - asset_tag: "{tag}"
    addresses: ["127.77.0.{120 + number}"]
    allow_lists:
      - {{services: ["http"], entries: {json.dumps(DECLARED)}}}
    lab:
      model: "Printer, series K2"
      services:
        - {{speaks: "http", answers: "sign-in"}}
        - {{speaks: "raw-print"}}
      allow:
        - {{entries: {json.dumps(entries)}, services: ["http"], by: "forbid"}}"""


@pytest.fixture
def inventory(tmp_path: Path) -> Path:
    file = tmp_path / "inventory.yaml"
    devices = (device(n, tag, entries) for n, (tag, (entries, _, _)) in enumerate(APPLIED.items()))
    file.write_text('inventory: "hardenprobe.inventory/1"\ndevices:' + "".join(devices), encoding="utf-8")
    return file


@pytest.mark.slow
def test_what_each_edge_gets_wrong_is_found_and_nothing_else(
    command: Command, inventory: Path, quick_baseline: Path, store: list[str]
) -> None:
    with running_lab(inventory, port_offset=OFFSET) as lab:
        ended = command(
            "scan", "127.77.0.120-127.77.0.122", "--inventory", inventory, "--source", "edges",
            "--only", "allow-list-not-enforced", "--only", "allow-list-locks-out", "--ports", "80,9100",
            "--port-offset", lab.port_offset, "--baseline", quick_baseline, "--no-plugins", "--json", "-", *store,
        )  # fmt: skip
        raw_print_bytes = lab.counters()["raw_print_bytes"]
    assert ended.status == 1
    document = json.loads(ended.out)
    tags = {d["id"]: d["asset_tag"] for d in document["devices"]}
    told: dict[tuple[str, str], dict[str, str]] = {}
    for result in document["results"]:
        by_source = told.setdefault((tags[result["device"]], result["check"]), {})
        by_source[result["vantage"]] = result["result"]

    assert {v["source"] for v in document["vantages"]} == INSIDE | OUTSIDE
    for tag, (_, let_in, turned_away) in APPLIED.items():
        for check, asked, wrong in (
            ("allow-list-not-enforced", OUTSIDE, let_in),
            ("allow-list-locks-out", INSIDE, turned_away),
        ):
            found = told[tag, check]
            assert {source: found[source] for source in asked} == {
                source: "fail" if source in wrong else "pass" for source in asked
            }
            assert {found[source] for source in (INSIDE | OUTSIDE) - asked} == {"notapplicable"}
    assert "at the edge of its list: 127.77.1.16 beside it is admitted" in ended.out
    assert raw_print_bytes == dict.fromkeys(APPLIED, 0)


def test_the_plan_names_every_edge_before_anything_is_sent(command: Command, inventory: Path) -> None:
    ended = command(
        "scan",
        "127.77.0.120",
        "--inventory",
        inventory,
        "--source",
        "edges",
        "--source",
        "127.0.0.9",
        "--dry-run",
    )
    assert ended.status == 0
    assert all(f"({source})" in ended.out for source in (*INSIDE, *OUTSIDE, "127.0.0.9"))


@pytest.mark.parametrize(
    ("entries", "says"),
    [
        pytest.param(["192.0.2.0/24"], "no address of this machine is at an edge", id="elsewhere"),
        pytest.param(["0.0.0.0/0"], "no address of this machine is at an edge", id="everybody"),
        pytest.param(["127.77.1.1/255.255.255.1"], "more than 64 addresses of this machine", id="a comb"),
    ],
)
def test_a_list_that_cannot_be_asked_from_here_is_refused(
    command: Command, inventory: Path, entries: list[str], says: str
) -> None:
    inventory.write_text(
        inventory.read_text(encoding="utf-8").replace(json.dumps(DECLARED), json.dumps(entries))
    )
    ended = command("scan", "127.77.0.120", "--inventory", inventory, "--source", "edges", "--dry-run")
    assert (ended.status, ended.out) == (2, "")
    assert says in ended.err
    assert "--source ADDRESS" in ended.err


def test_edges_of_devices_that_are_no_target_do_not_count(command: Command, inventory: Path) -> None:
    ended = command("scan", "127.77.0.99", "--inventory", inventory, "--source", "edges", "--dry-run")
    assert (ended.status, ended.out) == (2, "")
