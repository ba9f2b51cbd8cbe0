"""The inventory, as YAML and as CSV."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from hardenprobe.devices.inventory import AllowList, Declared, load
from hardenprobe.errors import FileInvalid

GOOD = """\
inventory: "hardenprobe.inventory/1"
approved_networks: ["192.0.2.0/24"]
devices:
  - asset_tag: "HO-1"
    addresses: ["192.0.2.10", "2001:DB8::10"]
    kind: "printer"
    serial: "QM-1"
  - asset_tag: "HO-2"
    addresses: ["192.0.2.11"]
    allow_lists:
      - services: ["https"]
        entries: ["192.0.2.0/25"]
    services:
      - {port: 8081, protocol: "http"}
  - asset_tag: "HO-3"
    addresses: ["192.0.2.10"]
    listed: false
"""
Write = Callable[[str, str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def written(text: str, name: str = "inventory.yaml") -> Path:
        path = tmp_path / name
        path.write_text(text)
        return path

    return written


def test_a_good_file(write: Write) -> None:
    path = write(GOOD, "inventory.yaml")
    found = load(path)
    assert [d.asset_tag for d in found.devices] == ["HO-1", "HO-2"]
    assert found.by_address["2001:db8::10"].asset_tag == "HO-1"
    assert found.by_serial["QM-1"].asset_tag == "HO-1"
    assert found.devices[1].allow_lists == (AllowList(services=("https",), entries=("192.0.2.0/25",)),)
    assert found.devices[1].services == (Declared(port=8081, protocol="http"),)
    assert found.approved_networks == ("192.0.2.0/24",)


def test_its_source_names_no_folder_of_this_machine(write: Write, tmp_path: Path) -> None:
    found = load(write(GOOD, "floor.yaml"))
    sha256 = subprocess.run(
        ["sha256sum", tmp_path / "floor.yaml"], capture_output=True, text=True, check=True
    )
    assert found.source == f"floor.yaml (SHA-256 {sha256.stdout.split()[0]})"


def test_what_is_not_listed_is_in_nobodys_way(write: Write) -> None:
    """The third device has the first one's address, and `listed: false`."""
    assert load(write(GOOD, "inventory.yaml")).by_address["192.0.2.10"].asset_tag == "HO-1"


@pytest.mark.parametrize(
    ("change", "line", "says"),
    [
        pytest.param(("192.0.2.11", "192.0.2.10"), 9, "belongs to 'HO-1' already", id="repeated address"),
        pytest.param(
            ("192.0.2.11", "2001:db8:0::10"),
            9,
            "2001:db8::10 belongs to 'HO-1'",
            id="repeated, spelt otherwise",
        ),
        pytest.param(('"HO-2"', '"HO-1"'), 8, "is already on line 4", id="repeated tag"),
        pytest.param(
            ('addresses: ["192.0.2.11"]', 'addresses: ["192.0.2.11"]\n    serial: "QM-1"'),
            10,
            "serial 'QM-1' belongs to 'HO-1'",
            id="repeated serial",
        ),
        pytest.param(
            ("192.0.2.11", "printer-11"), 9, "'printer-11' is no IP address", id="a name as address"
        ),
        pytest.param(('addresses: ["192.0.2.11"]', "addresses: []"), 9, "has no address", id="no address"),
        pytest.param(('"HO-2"', '""'), 8, "asset_tag is empty", id="empty tag"),
        pytest.param(("serial:", "seriall:"), 7, "did you mean 'serial'?", id="misspelt key"),
        pytest.param(("port: 8081", "prot: 8081"), 14, "did you mean 'port'?", id="misspelt inner key"),
        pytest.param(('kind: "printer"', 'serial: "X"'), 7, "is repeated", id="repeated key"),
        pytest.param(('kind: "printer"', 'kind: "toaster"'), 6, "kind is 'toaster'", id="no kind"),
        pytest.param(
            ('["https"]', '["gopher"]'), 11, "'gopher' is no service; known are ftp, http", id="no service"
        ),
        pytest.param(
            ("192.0.2.0/25", "192.0.2.1/25"), 12, "did you mean 192.0.2.0/25 or the address", id="host bits"
        ),
        pytest.param(("8081", "70000"), 14, "port 70000 is not 1 to 65535", id="no port"),
        pytest.param(('["192.0.2.0/24"]', '["192.0.2.1/24"]'), 2, "did you mean 192.0.2.0/24", id="approved"),
        pytest.param(('serial: "QM-1"', 'pinned_key: "AB"'), 7, "64 lower-case hex digits", id="no pin"),
        pytest.param(("inventory/1", "inventory/9"), 1, "expected 'hardenprobe.inventory/1'", id="format"),
        pytest.param(('serial: "QM-1"', "serial: 0089"), 7, "serial is 89: ", id="a serial without quotes"),
    ],
)
def test_a_wrong_file(write: Write, change: tuple[str, str], line: int, says: str) -> None:
    assert change[0] in GOOD
    path = write(GOOD.replace(*change, 1) if change[0] != "192.0.2.11" else GOOD.replace(*change), "i.yaml")
    with pytest.raises(FileInvalid) as caught:
        load(path)
    assert str(caught.value).startswith(f"{path}:{line}: ")
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


SEGMENTS = """
segments:
  - {name: "printers", networks: ["192.0.2.0/25"], vantages: ["office", "guests"], connections_per_second: 50}
  - {name: "annex", networks: ["192.0.2.128/25", "2001:db8::/64"], vantages: ["office"]}
"""


def test_segments_say_from_where_each_network_is_asked(write: Write) -> None:
    printers, annex = load(write(GOOD + SEGMENTS, "i.yaml")).segments
    assert (printers.vantages, printers.connections_per_second) == (("office", "guests"), 50.0)
    assert (annex.networks, annex.connections_per_second) == (("192.0.2.128/25", "2001:db8::/64"), None)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        pytest.param(('"192.0.2.128/25"', '"192.0.2.64/26"'), "192.0.2.64 is in two segments", id="overlap"),
        pytest.param(('"192.0.2.128/25"', '"192.0.2.1-192.0.2.9"'), "192.0.2.1-192.0.2.9", id="no block"),
        pytest.param(('"annex"', '"printers"'), "needs a name of its own", id="name twice"),
        pytest.param(('vantages: ["office"]', "vantages: []"), "vantages of segment 'annex' is empty", id="nowhere"),
        pytest.param(("second: 50", "second: 0"), "expected a number above 0", id="no rate"),
    ],
)  # fmt: skip
def test_a_wrong_segment(write: Write, change: tuple[str, str], says: str) -> None:
    path = write((GOOD + SEGMENTS).replace(*change), "i.yaml")
    with pytest.raises(FileInvalid) as caught:
        load(path)
    assert says in str(caught.value)
    assert str(caught.value).startswith(f"{path}:")


CSV = """\
Asset Tag,addresses,kind,names,fragile,serial
HO-1,192.0.2.10;2001:db8::10,printer,"one.example.org two.example.org",true,0089

HO-2,192.0.2.11,,,,
"""


def test_a_spreadsheets_export(write: Write) -> None:
    found = load(write(CSV, "fleet.CSV"))
    first, second = found.devices
    assert (first.addresses, first.names) == (
        ("192.0.2.10", "2001:db8::10"),
        ("one.example.org", "two.example.org"),
    )
    assert (first.fragile, first.serial, first.kind) == (True, "0089", "printer")
    assert (second.fragile, second.serial, second.kind) == (False, None, "unknown")


@pytest.mark.parametrize(
    ("change", "line", "says"),
    [
        pytest.param(
            ("kind,", "sort,"), 1, "unknown column 'sort'; known are addresses", id="unknown column"
        ),
        pytest.param((",,,,", ","), 4, "3 cells where the header has 6", id="short row"),
        pytest.param(("true", "yes"), 2, "fragile is 'yes', expected true or false", id="no truth"),
        pytest.param(("192.0.2.11", "192.0.2.10"), 4, "belongs to 'HO-1' already", id="repeated address"),
        pytest.param(("HO-2", ""), 4, "the key 'asset_tag' is missing", id="no tag"),
    ],
)
def test_a_wrong_export(write: Write, change: tuple[str, str], line: int, says: str) -> None:
    assert change[0] in CSV
    path = write(CSV.replace(*change, 1), "fleet.csv")
    with pytest.raises(FileInvalid) as caught:
        load(path)
    assert str(caught.value).startswith(f"{path}:{line}: ")
    assert says in str(caught.value)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(FileInvalid, match="cannot be read: No such file"):
        load(tmp_path / "none.csv")


def test_a_spreadsheets_byte_order_mark_is_no_part_of_the_first_column(tmp_path: Path) -> None:
    path = tmp_path / "fleet.csv"
    path.write_bytes(b"\xef\xbb\xbf" + CSV.encode())
    assert [d.asset_tag for d in load(path).devices] == ["HO-1", "HO-2"]
