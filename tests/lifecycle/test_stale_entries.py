"""Lists that still name the address of a device that goes: of files, and of what an inventory declared."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.addresses.sets import parse_entry
from hardenprobe.errors import FileInvalid
from hardenprobe.facts import DeclaredAllowList
from hardenprobe.lifecycle import stale_entries
from hardenprobe.store.opening import opened
from hardenprobe.store.store import Store
from hardenprobe.testing import declared, sample_review

HERE = ("192.0.2.12", "2001:db8::12")


def wrote(tmp_path: Path, name: str, text: str) -> Path:
    (tmp_path / name).write_text(text)
    return tmp_path / name


@pytest.mark.parametrize(
    ("name", "text", "found"),
    [
        pytest.param("l.txt", "192.0.2.11\n192.0.2.12\n192.0.2.13\n", [(2, True)], id="named"),
        pytest.param(
            "l.txt", "192.0.2.0/24\n192.0.2.12/32\n", [(1, False), (2, True)], id="a block around it"
        ),
        pytest.param("l.txt", "192.0.2.10-192.0.2.20\n", [(1, False)], id="a range around it"),
        pytest.param("l.csv", "address,mask\n192.0.2.12,255.255.255.255\n", [(2, True)], id="with its mask"),
        pytest.param("l.yaml", "- 2001:db8::12\n- 198.51.100.1\n", [(1, True)], id="its other family"),
        pytest.param("l.txt", "192.0.2.120\n", [], id="one that begins alike"),
    ],
)
def test_what_a_file_says(tmp_path: Path, name: str, text: str, found: list[tuple[int, bool]]) -> None:
    path = wrote(tmp_path, name, text)
    seen = stale_entries.in_file(path, HERE)
    assert [(one.where, one.alone) for one in seen] == [(f"{path}:{line}", alone) for line, alone in found]


def test_an_inventory_is_asked_for_the_lists_that_it_declares(tmp_path: Path) -> None:
    path = wrote(
        tmp_path,
        "i.yaml",
        'inventory: "hardenprobe.inventory/1"\n'
        'approved_networks: ["192.0.2.12"]\n'
        "devices:\n"
        '  - asset_tag: "HO-1"\n'
        '    addresses: ["192.0.2.1"]\n'
        "    allow_lists:\n"
        '      - {services: ["https"], entries: ["192.0.2.0/25",\n'
        '          "192.0.2.12"]}\n'
        '  - {asset_tag: "HO-2", addresses: ["192.0.2.12"]}\n',
    )
    assert [str(one) for one in stale_entries.in_file(path, HERE)] == [
        f"{path}:7 (list of HO-1): 192.0.2.0/25 takes it in with others",
        f"{path}:8 (list of HO-1): 192.0.2.12 names it",
    ]


def test_a_file_that_cannot_be_read_is_said_with_its_line(tmp_path: Path) -> None:
    with pytest.raises(FileInvalid) as wrong:
        stale_entries.in_file(wrote(tmp_path, "l.txt", "192.0.2.1\n192.0.2.999\n"), HERE)
    assert wrong.value.line == 2
    with pytest.raises(FileInvalid, match="cannot be read"):
        stale_entries.in_file(tmp_path / "none.txt", HERE)


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Store]:
    with opened(str(tmp_path / "store.db")) as found:
        yield found


def test_what_the_inventory_declared_for_others_of_the_review(kept: Store) -> None:
    made = sample_review(3)
    first, second, third = made.devices
    facts = DeclaredAllowList(
        services=("https",), entries=("192.0.2.12", "192.0.2.0/24"), position=2, approved=(), source="i.yaml"
    )
    seen = {first.id: (declared(facts),), second.id: (declared(facts),), third.id: ()}
    kept.save(replace(made, observations=seen, head=replace(made.head, previous=None, previous_digest=None)))
    found = stale_entries.declared(kept, made.head.id, HERE, first.id)
    assert [str(one) for one in found] == [
        f"review {made.head.id}, list 2 of HO-0102: 192.0.2.12 names it",
        f"review {made.head.id}, list 2 of HO-0102: 192.0.2.0/24 takes it in with others",
    ]


@given(st.integers(0, 255), st.integers(24, 32))
def test_an_entry_names_whom_it_admits_alone(last: int, length: int) -> None:
    block = f"192.0.2.{last & ~((1 << 32 - length) - 1) & 255}/{length}"
    (one,) = stale_entries._named("x", parse_entry(block), [f"192.0.2.{last}"])
    assert one.alone is (length == 32)
    assert not list(stale_entries._named("x", parse_entry(block), [f"198.51.100.{last}"]))
