"""Lists of addresses that people keep in files: plain text, a spreadsheet's export, or YAML."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hardenprobe.errors import FileInvalid, clip
from hardenprobe.model import csv_file
from hardenprobe.model.yaml_file import Document, Spot, load_yaml, read_text

ENTRY = ("entry", "address", "ip", "ip_address", "network", "subnet", "cidr", "source", "host")
MASK = ("mask", "netmask", "subnet_mask")
LENGTH = ("prefix", "prefix_length", "length")
FIRST = ("first", "from", "start")
LAST = ("last", "to", "end")
LISTS = ("entries", "allow_list", "networks", "approved_networks")
"""Keys of a YAML file under which a list is looked for."""

_TITLES = {*ENTRY, *MASK, *LENGTH, *FIRST, *LAST, "addresses", "entries", "networks", "allowed", "list"}
_ADDRESS = re.compile(r"[0-9a-fA-F]*[.:][0-9a-fA-F.:]*")
_INVENTORY = "hardenprobe.inventory/"


@dataclass(frozen=True)
class ListLine:
    """One entry of a file, not yet read.

    Attributes:
        line: In the file, from 1.
        text: The entry in one piece, as addresses.parse_entry takes it: address/mask, first-last.
    """

    line: int
    text: str


def read(path: Path) -> tuple[ListLine, ...]:
    """Read the entries of a file by its name's ending: .csv, .yaml, .yml, .json, anything else as text.

    Text holds one entry a line, or several between commas; # begins a remark; a line of titles may come first. CSV names
    its columns in a header (entry, address, mask, prefix, first, last; others are remarks) or has the entry in the first
    column and perhaps a mask in the second. YAML is a list, or a list under one of `LISTS`; of an inventory, the
    approved networks.

    Raises:
        FileInvalid: The file cannot be read, or holds no entry.
    """
    kind = path.suffix.lower()
    if kind in (".yaml", ".yml", ".json"):
        found = tuple(_from_yaml(load_yaml(path, sequence=True)))
    else:
        text = read_text(path)
        found = tuple(_from_csv(str(path), text) if kind == ".csv" else _from_text(text))
    if not found:
        raise FileInvalid(str(path), None, "holds no entry; write an address or a block such as 192.0.2.0/24")
    return found


def _from_text(text: str) -> Iterator[ListLine]:
    begun = False
    for number, line in enumerate(text.split("\n"), 1):
        pieces = [_spoken(piece) for piece in re.split("[,;]", line.partition("#")[0]) if piece.strip()]
        if not pieces:
            continue
        title = not begun and {w.lower() for piece in pieces for w in piece.split()} <= _TITLES
        begun = True
        if not title:
            yield from (ListLine(number, piece) for piece in _paired(pieces))


def _spoken(piece: str) -> str:
    """`a mask b`, `a b` with a mask, and `a to b` in one piece."""
    words = piece.split()
    if len(words) == 3 and words[1].lower() in MASK:
        return f"{words[0]}/{words[2]}"
    if len(words) == 3 and words[1].lower() == "to":
        return f"{words[0]}-{words[2]}"
    return " ".join(_paired(words))


def _paired(pieces: list[str]) -> list[str]:
    """An address and the mask beside it as one entry."""
    if len(pieces) == 2 and "/" not in pieces[0] and re.match(r"(255|0)\.|ffff:", pieces[1].lower()):
        return ["/".join(pieces)]
    return pieces


def _from_csv(file: str, text: str) -> Iterator[ListLine]:
    lines = (line for line in text.split("\n") if line.strip() and not line.lstrip().startswith("#"))
    sample = next(lines, "")
    delimiter = max(",;\t", key=sample.count)
    header: list[str] | None = None
    for number, cells in csv_file.rows(io.StringIO(text, newline=""), file, delimiter):
        if header is None:
            header = _header(file, number, cells)
            if header:
                continue
        yield ListLine(number, _by_header(header, cells) if header else _by_place(cells))


def _header(file: str, line: int, cells: list[str]) -> list[str]:
    """The names of the columns; empty where the first row is an entry already."""
    names = [cell.lower().replace(" ", "_").replace("-", "_") for cell in cells]
    if "asset_tag" in names:
        raise FileInvalid(
            file, line, "is an inventory as CSV, which names no approved networks; write it as YAML"
        )
    if not _TITLES.intersection(names) or any(map(_ADDRESS.match, cells)):
        return []
    if not {*ENTRY, *FIRST}.intersection(names):
        raise FileInvalid(
            file, line, f"no column holds the entry; call it one of {', '.join((*ENTRY, *FIRST))}"
        )
    return names


def _by_header(header: list[str], cells: list[str]) -> str:
    named = dict(zip(header, cells, strict=False))

    def cell(names: tuple[str, ...]) -> str:
        return next((named[name] for name in names if named.get(name)), "")

    entry, last = cell(ENTRY) or cell(FIRST), cell(LAST)
    if last:
        return f"{entry}-{last}" if last != entry else entry
    right = cell(MASK) or cell(LENGTH).lstrip("/")
    return f"{entry}/{right}" if right else _spoken(entry)


def _by_place(cells: list[str]) -> str:
    pieces = _paired([cell for cell in cells[:2] if cell])
    both = len(pieces) == 2 and _ADDRESS.fullmatch(pieces[1])
    # Two addresses could be a range, or two entries: only a header says which.
    return ", ".join(pieces) if both else _spoken(pieces[0])


def _from_yaml(document: Document) -> Iterator[ListLine]:
    data: Any = document.data
    spot: Spot = ()
    if isinstance(data, dict):
        inventory = str(data.get("inventory", "")).startswith(_INVENTORY)
        key = next((k for k in (("approved_networks",) if inventory else LISTS) if k in data), None)
        if key is None:
            what = "approved_networks" if inventory else f"one of {', '.join(LISTS)}"
            raise document.fault((), f"expected a list of entries, at the top or under {what}")
        data, spot = data[key], (key,)
    if not isinstance(data, list):
        raise document.fault(spot, f"{clip(data)} is no list of entries")
    for i, item in enumerate(data):
        yield ListLine(document.line((*spot, i)) or 1, _item(document, (*spot, i), item))


def _item(document: Document, spot: Spot, item: Any) -> str:
    if not isinstance(item, dict):
        return _spoken(str(item))
    unknown = set(item) - _TITLES - {"name", "remark"}
    if unknown or not {*ENTRY, *FIRST}.intersection(item):
        wrong = f"the key {min(unknown)!r} is unknown" if unknown else "an entry names no address"
        raise document.fault(spot, f"{wrong}; write address with mask or prefix, or first and last")
    return _by_header(list(item), [str(value).strip() for value in item.values()])
