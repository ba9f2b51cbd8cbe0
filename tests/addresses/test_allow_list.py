"""Lists held against approved networks: exact, by the numbers of a block that is written out."""

from __future__ import annotations

import json
from ipaddress import ip_address
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hardenprobe.addresses import allow_list, decision_diagram
from hardenprobe.addresses.allow_list import Comparison, compare, read_approved, read_list, to_document
from hardenprobe.addresses.lint import FORMS
from hardenprobe.errors import FileInvalid


def held(folder: Path, listed: str, approved: str, **more: object) -> Comparison:
    (folder / "list.txt").write_text(listed, encoding="utf-8")
    (folder / "approved.txt").write_text(approved, encoding="utf-8")
    return compare(read_list(folder / "list.txt"), read_approved(folder / "approved.txt"), **more)  # type: ignore[arg-type]


small = st.integers(0, 31)
entries = st.lists(
    st.one_of(
        st.tuples(small, small).map(
            lambda p: (f"192.0.2.{min(p)}-192.0.2.{max(p)}", {*range(min(p), max(p) + 1)})
        ),
        st.tuples(small, small).map(
            lambda p: (
                f"192.0.2.{p[0] & p[1]} 255.255.255.{224 | p[1]}",
                {n for n in range(32) if n & p[1] == p[0] & p[1]},
            )
        ),
    ),
    min_size=1,
    max_size=5,
)


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture]
)  # a file is written over by each example
@given(entries, entries, st.integers(1, 4))
@pytest.mark.slow
def test_brute_force_agrees_with_the_whole_document(
    tmp_path: Path, listed: list[tuple[str, set[int]]], approved: list[tuple[str, set[int]]], room: int
) -> None:
    texts = ["\n".join(text for text, _ in one) for one in (listed, approved)]
    found = to_document(held(tmp_path, *texts, forms=FORMS, room=room))
    ours, theirs = (set().union(*(members for _, members in one)) for one in (listed, approved))

    for part, members in (("admitted_beyond", ours - theirs), ("locked_out", theirs - ours)):
        assert found[part]["count"] == len(members)
        assert found[part]["example"] == (f"192.0.2.{min(members)}" if members else None)
        assert _members(found[part]["cover"]) == _members(found[part]["patterns"]) == members
    culprits = [n for n, (_, members) in enumerate(listed, 1) if members - theirs]
    assert [one["line"] for one in found["admitted_beyond"]["entries"]] == culprits
    needless = {fault["line"] for fault in found["faults"]}
    assert set().union(*(m for n, (_, m) in enumerate(listed, 1) if n not in needless)) == ours
    assert found["clean"] is (ours == theirs and not needless and len(listed) <= room)
    for part, members in (("list", ours), ("approved", theirs)):
        fitting = found["fit"][part]
        assert len(fitting["entries"]) <= room
        assert members <= _members(fitting["entries"])  # nobody is locked out
        assert len(_members(fitting["entries"]) - members) == fitting["excess"]
    json.dumps(found)


def _members(texts: list[str]) -> set[int]:
    base, found = int(ip_address("192.0.2.0")), set()
    for text in texts:
        address, _, right = text.partition("/")
        first, _, last = address.partition("-")
        low = int(ip_address(first)) - base
        if "." in right:
            mask = int(ip_address(right)) & 31
            found |= {n for n in range(32) if n & mask == low & mask}
        elif right:
            found |= {*range(low, low + (1 << 32 - int(right)))}
        else:
            found |= {*range(low, int(ip_address(last or first)) - base + 1)}
    return found


def test_a_huge_excess_is_counted_and_not_listed(tmp_path: Path) -> None:
    """2^96 less 2^80 addresses in the gaps of an IPv6 mask."""
    found = held(
        tmp_path, "2001:db8::/ffff:ffff::ffff:ffff", "2001:db8::/ffff:ffff:ffff::ffff:ffff", forms=FORMS
    )
    assert found.beyond.count == 2**64 - 2**48
    assert found.beyond.first() == "2001:db8:1::"
    assert found.locked_out.count == 0
    assert len(to_document(found)["admitted_beyond"]["cover"]) == allow_list.KEPT


def test_what_cannot_be_read_is_named_with_line_and_mend(tmp_path: Path) -> None:
    found = held(tmp_path, "192.0.2.0/24\n192.0.2.5/24\nprinter\n", "192.0.2.0/24")
    assert [(one.position, one.kind) for one in found.unreadable] == [(2, "unreadable"), (3, "unreadable")]
    assert not found.clean
    refusal = found.refusal()
    assert (refusal.file, refusal.line) == (str(tmp_path / "list.txt"), 2)
    assert "did you mean 192.0.2.0/24 or the address 192.0.2.5?; 1 more cannot be read" in str(refusal)


def test_approved_networks_must_all_be_right(tmp_path: Path) -> None:
    with pytest.raises(FileInvalid, match=r"approved\.txt:2: .*did you mean 192\.0\.2\.0/24"):
        held(tmp_path, "192.0.2.1", "192.0.2.1\n192.0.2.5/24")


def test_an_inventory_states_approved_networks(tmp_path: Path) -> None:
    file = tmp_path / "inventory.yaml"
    file.write_text('inventory: "hardenprobe.inventory/1"\napproved_networks: ["192.0.2.0/24"]\ndevices: []')
    assert list(read_approved(file).admitted.cover()) == ["192.0.2.0/24"]


def test_a_device_with_less_room_than_entries(tmp_path: Path) -> None:
    found = held(tmp_path, "192.0.2.0/25\n192.0.2.128/25", "192.0.2.0/24", room=1)
    assert found.too_long and not found.clean
    assert found.list_fit is None  # both say the same
    assert found.approved_fit and [str(one) for one in found.approved_fit.entries] == ["192.0.2.0/24"]
    assert to_document(found)["fit"]["list"] == to_document(found)["fit"]["approved"]


def test_more_masks_with_gaps_than_are_compared_are_refused_with_their_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(allow_list, "MOST_GAPPED", 2)
    lines = ["192.0.2.0/24", *(f"10.0.0.{n}/255.0.0.255" for n in range(3))]
    with pytest.raises(FileInvalid, match=r"list\.txt:4: more than 2 masks with gaps; write blocks"):
        held(tmp_path, "\n".join(lines), "192.0.2.0/24")
    monkeypatch.setattr(allow_list, "MOST_ENTRIES", 3)
    with pytest.raises(FileInvalid, match=r"list\.txt:4: more than 3 entries"):
        held(tmp_path, "\n".join(lines), "192.0.2.0/24")


def test_masks_that_nothing_keeps_small_are_refused_with_file_and_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each mask fixes a bit of the left half and its partner of the right half: 2^64 prefixes that all differ."""
    monkeypatch.setattr(
        decision_diagram, "WORK", 50_000
    )  # ends in a moment; test_address_diagram.py takes all of it
    pairs = [str(ip_address(1 << n | 1 << n + 64)) for n in range(64)]
    with pytest.raises(FileInvalid, match=r"list\.txt:2: masks with gaps scatter this list") as caught:
        held(tmp_path, "\n".join(["192.0.2.1", *(f"{pair}/{pair}" for pair in pairs)]), "192.0.2.0/24")
    assert "write blocks" in str(caught.value)
