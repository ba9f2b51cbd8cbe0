"""`hardenprobe usage`, from captures to what is kept and shown."""

from __future__ import annotations

import gzip
import json
import sqlite3
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from support.captures import Shot, pcap, pcapng
from support.print_jobs import jobs

from hardenprobe.cli import cli
from hardenprobe.store import opening
from hardenprobe.testing import sample_review

INVENTORY = """
inventory: "hardenprobe.inventory/1"
devices:
  - {asset_tag: "RP-0204", addresses: ["192.0.2.7"]}
"""


@pytest.fixture
def run(tmp_path: Path) -> Any:
    (tmp_path / "inventory.yaml").write_text(INVENTORY)
    store = str(tmp_path / "store.db")

    def call(*arguments: object, status: int = 0) -> Any:
        result = CliRunner().invoke(
            cli, ["usage", *map(str, arguments), "--store", store], env={"COLUMNS": "200"}
        )
        assert result.exit_code == status, (result.output, result.exception)
        return result

    return call


def capture(folder: Path, shots: list[Shot] | None = None, packed: bool = True) -> Path:
    data = pcapng(shots or jobs(), dropped=3, seen=100)
    (file := folder / "week.pcapng.gz").write_bytes(gzip.compress(data) if packed else data)
    return file


def add(run: Any, file: Path, *more: object) -> Any:
    given = (
        "--place",
        "the print server",
        "--inventory",
        file.parent / "inventory.yaml",
        "--keep-days",
        36500,
    )
    return run("add", file, *given, *more)


def test_clients_of_services_are_kept_and_shown_with_what_is_covered(run: Any, tmp_path: Path) -> None:
    added = add(run, capture(tmp_path))
    shown = run("show").stdout
    document = json.loads(run("show", "--json").stdout)

    assert "3 services of 1 device address used by 1 client" in added.stdout
    assert (
        "515/tcp on 192.0.2.7: 1 client in" in shown
        and "at the print server, last 192.0.2.40 on 2023-11-14" in shown
    )
    assert "3 more were lost (14.3 %)" in shown
    assert {(use["port"], use["conversations"]) for use in document["uses"]} == {
        (515, 1),
        (9100, 1),
        (161, 1),
    }
    assert document["sources"][0]["sha256"] and document["format"] == "hardenprobe.usage/1"


def test_no_payload_and_no_traffic_of_others_reach_the_store(run: Any, tmp_path: Path) -> None:
    other = [
        shot._replace(data=shot.data.replace(bytes([192, 0, 2, 7]), bytes([198, 51, 100, 9])))
        for shot in jobs(b"canary-")
    ]
    add(run, capture(tmp_path, jobs(b"canary-") + other))

    kept = (tmp_path / "store.db").read_bytes()
    assert b"192.0.2.40" in kept
    assert b"canary" not in kept and b"198.51.100.9" not in kept


@pytest.mark.parametrize(
    ("options", "expected"), [(("--by-network", "24"), "192.0.2.0/24"), (("--pseudonyms", "KEY"), "client-")]
)
def test_clients_can_be_kept_without_their_addresses(
    run: Any, tmp_path: Path, options: Any, expected: str
) -> None:
    key = tmp_path / "key"
    add(run, capture(tmp_path), *(key if one == "KEY" else one for one in options))

    assert expected in run("show").stdout
    assert b"192.0.2.40" not in (tmp_path / "store.db").read_bytes()
    if options[1] == "KEY":
        assert key.stat().st_mode & 0o077 == 0


def test_a_file_counts_once_and_is_pruned_by_its_id_or_its_end(run: Any, tmp_path: Path) -> None:
    file = capture(tmp_path)
    add(run, file)
    store = sqlite3.connect(tmp_path / "store.db")
    (id,) = store.execute("select id from usage_sources").fetchone()

    again = CliRunner().invoke(
        cli,
        [
            "usage",
            "add",
            str(file),
            "--place",
            "x",
            "--inventory",
            str(tmp_path / "inventory.yaml"),
            "--store",
            str(tmp_path / "store.db"),
        ],
    )
    assert id in str(again.exception) and "kept already" in str(again.exception)
    assert "nothing was deleted" in run("prune", "--before", "2023-11-14").stderr
    assert f"deleted {id}" in run("prune", "--before", "2023-11-15").stdout
    assert store.execute("select count(*) from usage").fetchone() == (0,)
    store.close()


def test_a_period_expires_is_not_used_then_and_is_pruned(run: Any, tmp_path: Path) -> None:
    file = capture(tmp_path)  # of November 2023
    added = run(
        "add",
        file,
        "--place",
        "the print server",
        "--inventory",
        tmp_path / "inventory.yaml",
        "--keep-days",
        90,
    )
    shown = run("show")

    assert "expired on 2024-02-13, not used" in added.stdout and "expired on 2024-02-13" in shown.stdout
    assert "515/tcp" not in shown.stdout and "no use seen" not in shown.stdout
    assert "deleted u-" in run("prune", "--expired").stdout
    assert "no period has expired; nothing was deleted" in run("prune", "--expired").stderr


def test_what_was_not_used_is_said_for_the_covered_time_alone(run: Any, tmp_path: Path) -> None:
    add(run, capture(tmp_path))
    shown = run("show").stdout

    assert "other services on 192.0.2.7: no use seen in" in shown and "at the print server" in shown
    assert "unused." in shown and shown.count("unused") == 1  # that it never means this


def test_devices_that_a_review_met_are_known(run: Any, tmp_path: Path) -> None:
    review = sample_review()
    address = review.devices[0].addresses[0].address
    with opening.opened(str(tmp_path / "store.db")) as kept:
        kept.save(review)
    line = f"192.0.2.40,{address},tcp,515,2026-11-24T08:00:00Z,2026-11-24T09:00:00Z"
    (file := tmp_path / "flows.csv").write_text(f"client,device,transport,port,first,last\n{line}\n")

    added = run("add", file, "--place", "the router", "--keep-days", 36500)
    assert "1 service of 1 device address used by 1 client" in added.stdout


def test_without_a_device_nothing_is_read(run: Any, tmp_path: Path) -> None:
    file = tmp_path / "a.pcap"
    file.write_bytes(pcap(jobs()))
    result = CliRunner().invoke(
        cli, ["usage", "add", str(file), "--place", "x", "--store", str(tmp_path / "s.db")]
    )

    assert "no device is known" in str(result.exception)


@pytest.mark.slow
def test_a_statement_that_a_service_is_off_is_held_against_its_use(run: Any, tmp_path: Path) -> None:
    """The statement is ten days old, and so is the use by the scan's own address; two days ago a client used Telnet."""
    store, today = str(tmp_path / "store.db"), date.today()
    review = sample_review()
    device, scanner = review.devices[0], review.vantages[0].source
    address = device.addresses[0].address
    with opening.opened(store) as kept:
        kept.save(review)

    def call(*arguments: str) -> Any:
        return CliRunner().invoke(cli, [*arguments, "--store", store])

    made, until = str(today - timedelta(10)), str(today + timedelta(100))
    given = (
        "--control",
        "cleartext-protocols-off",
        "--answer",
        "yes",
        "--method",
        "examine",
        "--by",
        "Imke Sandvoort",
    )
    said = call("statement", "add", *given, "--device", device.id, "--made", made, "--until", until)
    assert said.exit_code == 0, said.output

    def contradictions() -> list[str]:
        document = json.loads(
            call("judge", "latest", "--json", "-", "--only", "statement-contradicted").stdout
        )
        failed = {
            one["finding"]: one["observed"]["text"] for one in document["results"] if one["result"] == "fail"
        }
        return [text for text in failed.values() if "was used" in text]

    for client, expected in ((scanner, 0), ("192.0.2.40", 1)):
        used = f"{today - timedelta(2)}T08:00:00Z"
        (file := tmp_path / f"{client}.csv").write_text(
            f"client,device,transport,port,first,last\n{client},{address},tcp,23,{used},{used}\n"
        )
        run("add", file, "--place", "the router")
        assert len(found := contradictions()) == expected
    assert "23/tcp was used by 1 client" in found[0] and "(the router)" in found[0]
