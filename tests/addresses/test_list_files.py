"""Files of entries: text, CSV and YAML, as people and devices write them."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.addresses.list_files import read
from hardenprobe.errors import FileInvalid


def entries(tmp_path: Path, name: str, text: str) -> list[tuple[int, str]]:
    file = tmp_path / name
    file.write_text(text, encoding="utf-8")
    return [(one.line, one.text) for one in read(file)]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        pytest.param("192.0.2.1\n\n# remark\n192.0.2.0/24 # more\n", [(1, "192.0.2.1"), (4, "192.0.2.0/24")], id="lines"),
        pytest.param("Address\n192.0.2.1\n", [(2, "192.0.2.1")], id="a title"),
        pytest.param("Address Mask\n192.0.2.0 255.255.255.0", [(2, "192.0.2.0/255.255.255.0")], id="a mask beside it"),
        pytest.param("192.0.2.0 mask 255.0.255.0", [(1, "192.0.2.0/255.0.255.0")], id="a mask that is called one"),
        pytest.param("2001:db8:: ffff:ffff::", [(1, "2001:db8::/ffff:ffff::")], id="an IPv6 mask"),
        pytest.param("192.0.2.0 0.0.0.255", [(1, "192.0.2.0/0.0.0.255")], id="a wildcard, for the reader to refuse"),
        pytest.param("192.0.2.1, 192.0.2.9;192.0.2.3", [(1, "192.0.2.1"), (1, "192.0.2.9"), (1, "192.0.2.3")], id="commas"),
        pytest.param("192.0.2.0, 255.255.255.0", [(1, "192.0.2.0/255.255.255.0")], id="a mask behind a comma"),
        pytest.param("192.0.2.1 - 192.0.2.9\n192.0.2.1 to 192.0.2.9", [(1, "192.0.2.1 - 192.0.2.9"), (2, "192.0.2.1-192.0.2.9")], id="ranges"),
        pytest.param("192.0.2.1 192.0.2.9", [(1, "192.0.2.1 192.0.2.9")], id="two addresses are no entry"),
        pytest.param("printer", [(1, "printer")], id="a name is no title"),
        pytest.param("\ufeff192.0.2.1\r\n192.0.2.2", [(1, "192.0.2.1"), (2, "192.0.2.2")], id="of another system"),
    ],
)  # fmt: skip
def test_text(tmp_path: Path, text: str, found: list[tuple[int, str]]) -> None:
    assert entries(tmp_path, "list.txt", text) == found


@pytest.mark.parametrize(
    ("text", "found"),
    [
        pytest.param("address,remark\n192.0.2.1,desk\n", [(2, "192.0.2.1")], id="header"),
        pytest.param("name,IP Address,Subnet Mask\na,192.0.2.0,255.255.255.0\nb,192.0.2.9,", [(2, "192.0.2.0/255.255.255.0"), (3, "192.0.2.9")], id="mask"),
        pytest.param("network;prefix\n192.0.2.0;/24\n2001:db8::;64", [(2, "192.0.2.0/24"), (3, "2001:db8::/64")], id="prefix, semicolons"),
        pytest.param("from\tto\n192.0.2.1\t192.0.2.9\n192.0.2.7\t\n192.0.2.8\t192.0.2.8", [(2, "192.0.2.1-192.0.2.9"), (3, "192.0.2.7"), (4, "192.0.2.8")], id="range, tabs"),
        pytest.param("192.0.2.1,desk\n# remark\n,\n192.0.2.0,255.255.255.0", [(1, "192.0.2.1"), (4, "192.0.2.0/255.255.255.0")], id="no header"),
        pytest.param("192.0.2.1,host\n", [(1, "192.0.2.1")], id="a remark that reads like a title"),
        pytest.param("192.0.2.1,192.0.2.9", [(1, "192.0.2.1, 192.0.2.9")], id="two addresses say what only a header tells"),
        pytest.param('address,remark\n"192.0.2.1","two\nlines"\n192.0.2.2,x\n', [(3, "192.0.2.1"), (4, "192.0.2.2")], id="quotes"),
        pytest.param("address,remark\n,forgotten\n", [(2, "")], id="an empty entry is there to be complained of"),
    ],
)  # fmt: skip
def test_csv(tmp_path: Path, text: str, found: list[tuple[int, str]]) -> None:
    assert entries(tmp_path, "list.csv", text) == found


@pytest.mark.parametrize(
    ("text", "found"),
    [
        pytest.param("- 192.0.2.1\n- '192.0.2.0 255.255.255.0'\n", [(1, "192.0.2.1"), (2, "192.0.2.0/255.255.255.0")], id="a list"),
        pytest.param("name: x\nentries:\n  - 192.0.2.1\n", [(3, "192.0.2.1")], id="under a key"),
        pytest.param('networks: ["192.0.2.1",\n  "2001:db8::/64"]', [(1, "192.0.2.1"), (2, "2001:db8::/64")], id="in brackets"),
        pytest.param("- {address: 192.0.2.0, mask: 255.255.255.0}\n- {network: 192.0.2.0, prefix: 24, name: x}\n- {first: 192.0.2.1, last: 192.0.2.9}", [(1, "192.0.2.0/255.255.255.0"), (2, "192.0.2.0/24"), (3, "192.0.2.1-192.0.2.9")], id="with keys"),
        pytest.param("- 12\n- null\n- [x]\n", [(1, "12"), (2, "None"), (3, "['x']")], id="nonsense, for the reader to refuse"),
        pytest.param('inventory: "hardenprobe.inventory/1"\napproved_networks:\n  - 192.0.2.0/24\ndevices: []\n', [(3, "192.0.2.0/24")], id="an inventory"),
        pytest.param('{"entries": ["192.0.2.1"]}', [(1, "192.0.2.1")], id="JSON is YAML"),
    ],
)  # fmt: skip
def test_yaml(tmp_path: Path, text: str, found: list[tuple[int, str]]) -> None:
    assert entries(tmp_path, "list.yaml", text) == found


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("list.txt", "# nothing\n", "list.txt: holds no entry"),
        ("list.csv", "address\n", "list.csv: holds no entry"),
        ("list.csv", "mask,remark\n255.0.0.0,x\n", "no column holds the entry"),
        (
            "list.csv",
            "mask,remark\nx,x\n",
            "list.csv:1: no column holds the entry; call it one of entry, address",
        ),
        ("list.csv", "asset_tag,addresses\nx,192.0.2.1\n", "list.csv:1: is an inventory as CSV"),
        ("list.csv", 'address\n"192.0.2.1\x00"\n' + "x" * 200_000, "not CSV"),
        ("list.yaml", "[]", "list.yaml: holds no entry"),
        (
            "list.yaml",
            "sources: [192.0.2.1]",
            "list.yaml:1: expected a list of entries, at the top or under one of",
        ),
        ("list.yaml", "entries: 192.0.2.1", "list.yaml:1: '192.0.2.1' is no list of entries"),
        ("list.yaml", "- {address: 192.0.2.1, msk: x}", "list.yaml:1: the key 'msk' is unknown"),
        ("list.yaml", "- x: 1\n  y: 2", "list.yaml:1: the key 'x' is unknown"),
        ("list.yaml", "- {mask: 255.0.0.0}", "list.yaml:1: an entry names no address"),
        ("list.yaml", 'inventory: "hardenprobe.inventory/1"\ndevices: []', "under approved_networks"),
        ("list.yaml", "just words", "expected keys and values at the top"),
        ("list.yaml", "- [", "list.yaml:1: "),
    ],
)
def test_a_file_that_is_no_list_is_refused_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, text: str, says: str
) -> None:
    monkeypatch.chdir(tmp_path)
    Path(name).write_text(text, encoding="utf-8")
    with pytest.raises(FileInvalid) as caught:
        read(Path(name))
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("name", ["list.txt", "list.csv", "list.yaml"])
def test_whatever_stands_in_a_file_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, name: str
) -> None:
    file = tmp_path_factory.mktemp("any") / name

    @given(st.binary(max_size=60) | st.text(st.characters(codec="utf-8"), max_size=60).map(str.encode))
    def check(data: bytes) -> None:
        file.write_bytes(data)
        try:
            found = read(file)
        except FileInvalid as error:
            assert "\n" not in str(error)
        else:
            assert all(1 <= one.line <= data.count(b"\n") + data.count(b"\r") + 1 for one in found)

    check()
