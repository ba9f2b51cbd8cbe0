"""`hardenprobe listen`: from a capture to a review that is stored, reported, judged again, packed and verified."""

from __future__ import annotations

import json
import socket
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.captures import pcap, pcapng
from support.heard import CANARIES, CLIENT, DEVICE, talk

from hardenprobe.network import audit_hook

Run = Callable[..., Any]


@pytest.fixture
def case(tmp_path: Path) -> Path:
    """A folder with an inventory and two captures."""
    (tmp_path / "inventory.csv").write_text(
        f"asset_tag,addresses,kind\nRP-0001,{DEVICE},printer\nRP-0002,192.0.2.9,printer\n", encoding="utf-8"
    )
    shots = talk()
    (tmp_path / "one.pcap").write_bytes(pcap(shots))
    (tmp_path / "two.pcapng").write_bytes(pcapng(shots, dropped=3, seen=9))
    return tmp_path


@pytest.fixture
def listened(case: Path, command: Run, store: list[str]) -> Callable[..., dict[str, Any]]:
    """Listen to the first capture, and to others."""

    def run(*more: object) -> dict[str, Any]:
        found = command(
            "listen", case / "one.pcap", *more, "--inventory", case / "inventory.csv", "--place", "mirror port",
            "--json", case / "review.json", *store,
        )  # fmt: skip
        assert found.status == 1, found.err
        return json.loads((case / "review.json").read_text(encoding="utf-8"))

    return run


@pytest.mark.slow
def test_a_capture_becomes_a_review_whose_coverage_says_what_was_read(
    case: Path, command: Run, store: list[str], listened: Run
) -> None:
    document = listened()
    head, coverage = document["review"], document["coverage"]

    assert (head["reach"], head["scope"], head["narrowed"]) == ("listen", "traffic", ["traffic"])
    assert [one["asset_tag"] for one in document["devices"]] == ["RP-0001"]
    assert [(one["asset_tag"], one["why"]) for one in coverage["listed_not_seen"]] == [
        ("RP-0002", "no traffic in the captures")
    ]
    read = coverage["captures"][0]
    assert (read["name"], read["place"], read["lost"], read["others"]) == ("one.pcap", "mirror port", None, 3)
    assert read["packets"] == len(talk())
    failed = {r["check"] for r in document["results"] if r["result"] == "fail"}
    assert failed >= {
        "cleartext-telnet", "cleartext-ftp", "snmp-cleartext-version", "snmp-default-community-read",
        "cleartext-http-management", "basic-auth-in-clear", "cleartext-ipp", "cleartext-print-lpd",
        "cleartext-print-raw", "smb1-dialect", "discovery-mdns", "discovery-ssdp", "discovery-ws-discovery",
        "discovery-llmnr",
    }  # fmt: skip


@pytest.mark.slow
def test_nothing_private_is_in_the_store_the_reports_or_the_bag(
    case: Path, command: Run, store: list[str], listened: Run
) -> None:
    """The canaries are passwords, names, documents and addresses of clients in the capture."""
    listened()
    for format_ in ("html", "csv", "worksheet", "oscal", "json"):
        assert (
            command("report", "latest", *store, "--format", format_, "-o", case / f"r.{format_}").status == 0
        )
    assert command("evidence", "pack", "latest", *store, "-o", case / "bag.zip").status == 0
    raw = b"".join(one.data for one in talk())
    written = {one.name: one.read_bytes() for one in case.iterdir() if "pcap" not in one.suffix}
    with zipfile.ZipFile(case / "bag.zip") as bag:
        written |= {name: bag.read(name) for name in bag.namelist()}
    for name, data in written.items():
        for canary in CANARIES:
            assert canary in raw and canary not in data and canary.hex().encode() not in data, (name, canary)
        assert CLIENT.encode() not in data, name


@pytest.mark.slow
def test_it_is_judged_again_packed_and_verified_like_any_other(
    case: Path, command: Run, store: list[str], listened: Run
) -> None:
    before = listened()
    again = command("judge", "latest", *store, "--json", case / "again.json")
    after = json.loads((case / "again.json").read_text(encoding="utf-8"))
    assert command("evidence", "pack", "latest", *store, "-o", case / "bag.zip").status == 0
    verified = command("evidence", "verify", case / "bag.zip")

    assert again.status == 1 and after["results"] == before["results"]
    assert "content      valid" in verified.out, verified.out


def test_a_recheck_asks_devices_only_where_somebody_says_so(
    case: Path, command: Run, store: list[str], listened: Run
) -> None:
    listened()

    for name in ("recheck", "next"):
        refused = command(name, "latest", *store)
        assert refused.status == 2 and "is a review of captured traffic" in refused.err


def test_not_one_packet_is_sent(listened: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*given: object, **more: object) -> None:
        raise AssertionError("a socket was opened")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    monkeypatch.setattr(socket.socket, "sendto", refuse)
    monkeypatch.setattr(socket.socket, "bind", refuse)
    before = audit_hook.refused()
    listened()

    assert audit_hook.refused() == before


def test_several_captures_are_read_one_after_the_other_each_with_its_own_account(
    case: Path, command: Run, store: list[str], listened: Run
) -> None:
    document = listened(case / "two.pcapng")
    one, two = document["coverage"]["captures"]

    assert (one["lost"], two["lost"]) == (None, 3)
    assert one["packets"] == two["packets"] and two["others"] == 0


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--place", "inventory"), "say where the traffic was seen"),
        (("--place", " "), "say where the traffic was seen"),
        (("--scope", "SCOPE"), "no address of the inventory is in the scope"),
    ],
)
def test_what_cannot_be_read_is_refused_with_what_to_do(
    case: Path, command: Run, store: list[str], arguments: tuple[str, str], says: str
) -> None:
    scope = case / "scope.yaml"
    scope.write_text(
        'scope: "hardenprobe.scope/1"\nname: "elsewhere"\nauthorised_by: "Registry"\n'
        'networks: ["198.51.100.0/24"]\nuntil: "2099-01-01"\n',
        encoding="utf-8",
    )
    given = [str(scope) if one == "SCOPE" else one for one in arguments]
    found = command(
        "listen", case / "one.pcap", "--inventory", case / "inventory.csv", "--place", "here", *given,
        *store,
    )  # fmt: skip

    assert (found.status, says in found.err) == (2, True), found.err


def test_what_is_no_capture_is_refused_by_name(
    case: Path, command: Run, store: list[str], listened: Run
) -> None:
    found = command(
        "listen", case / "inventory.csv", "--inventory", case / "inventory.csv", "--place", "here", *store
    )

    assert found.status == 2 and "is no packet capture" in found.err
