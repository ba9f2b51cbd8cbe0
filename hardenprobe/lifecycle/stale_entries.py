"""Lists of admitted sources that still name the address of a device that goes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from hardenprobe.addresses import list_files
from hardenprobe.addresses.sets import AddressSet, Entry, parse_entry
from hardenprobe.devices import inventory
from hardenprobe.errors import FileInvalid, UsageError
from hardenprobe.facts import DeclaredAllowList
from hardenprobe.model.rows import label_of, read_some
from hardenprobe.model.yaml_file import load_yaml
from hardenprobe.store.store import UNREADABLE, Store


@dataclass(frozen=True, kw_only=True)
class ListMention:
    """An entry that lets a device's address in.

    Attributes:
        where: File and line, or the review and the device that it is declared for.
        alone: It names the address and no other: it is there for the device's sake, and must go.
    """

    where: str
    entry: str
    alone: bool

    def __str__(self) -> str:
        return f"{self.where}: {self.entry} {'names it' if self.alone else 'takes it in with others'}"


def in_file(path: Path, addresses: Sequence[str]) -> tuple[ListMention, ...]:
    """What a file says of some addresses: any list that `hardenprobe allowlist` reads, or an inventory (YAML), of which
    the lists that it declares for devices.

    Raises:
        FileInvalid: It cannot be read, with its line.
    """
    if path.suffix.lower() in (".yaml", ".yml") and _is_inventory(path):
        return tuple(_in_inventory(path, addresses))
    found: list[ListMention] = []
    for line in list_files.read(path):
        try:
            entry = parse_entry(line.text)
        except ValueError as exc:
            raise FileInvalid(str(path), line.line, str(exc)) from None
        found += _named(f"{path}:{line.line}", entry, addresses)
    return tuple(found)


def _is_inventory(path: Path) -> bool:
    data = load_yaml(path, sequence=True).data
    return isinstance(data, dict) and data.get("inventory") == inventory.FORMAT


def _in_inventory(path: Path, addresses: Sequence[str]) -> Iterator[ListMention]:
    known = inventory.load(path)
    document = load_yaml(path)
    tags = {one.get("asset_tag"): at for at, one in enumerate(document.data["devices"])}
    for device in known.devices:
        for k, declared in enumerate(device.allow_lists):
            for m, text in enumerate(declared.entries):
                line = document.line(("devices", tags[device.asset_tag], "allow_lists", k, "entries", m))
                yield from _named(f"{path}:{line} (list of {device.asset_tag})", parse_entry(text), addresses)


def declared(kept: Store, review: str, addresses: Sequence[str], leave_out: str) -> tuple[ListMention, ...]:
    """What the lists say that a review's inventory declared for its devices.

    Args:
        leave_out: Id of the device that goes; its own list goes with it.

    Raises:
        StoreRefused: The review cannot be read.
    """
    found: list[ListMention] = []
    for part in kept.parts(review):
        if part.device == leave_out:
            continue
        try:
            lists = read_some(part.observations, {DeclaredAllowList.kind})  # type: ignore[attr-defined]
            for one in lists:
                where = f"review {review}, list {one.facts.position} of {label_of(part.record)}"
                for text in one.facts.entries:
                    found += _named(where, parse_entry(text), addresses)
        except (*UNREADABLE, UsageError) as exc:
            raise kept.unreadable(review, type(exc).__name__) from exc
    return tuple(found)


def _named(where: str, entry: Entry, addresses: Iterable[str]) -> Iterator[ListMention]:
    if any(address in AddressSet.of([entry]) for address in addresses):
        yield ListMention(where=where, entry=str(entry), alone=entry.count == 1)
