"""A visit to an address, and a scan in progress: what it was asked, and what it has seen so far."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from hardenprobe.model.observation import Cost, Observation
from hardenprobe.model.rows import entries_text


@dataclass(frozen=True, kw_only=True)
class Visit:
    """One address, asked from one vantage point.

    Attributes:
        outcome: "answered", "refused" (every port), "silent", or "unfinished".
        observations: Where nobody answered, those of the search for a listed device.
        why: For an unfinished visit, one line for people.
        eased: How the device was spared when it bore less, for people; None where it was well.
        source: The address of ours that asked; None where there was no way there.
        on_link: Whether the address is on a network of this machine; None where that is not known.
        link_layer: The link-layer address that has it on a network of this machine; None where that is not known.
        same_as: The address at which the device was met that is known to have this one too; None for what was planned.
    """

    address: str
    vantage: str
    outcome: str
    observations: tuple[Observation[Any], ...] = ()
    cost: Cost = field(default_factory=Cost)
    why: str | None = None
    eased: str | None = None
    source: str | None = None
    on_link: bool | None = None
    link_layer: str | None = None
    same_as: str | None = None

    @cached_property
    def entries(self) -> str:
        """Its observations as a list of entries, written once for whoever keeps them."""
        return entries_text(self.observations)


BLOCK = 4096  # positions whose outcomes share a row


OUTCOMES = {"silent": b"s", "refused": b"r"}  # in a block; a zero byte is a position still to be asked


@dataclass(frozen=True, kw_only=True)
class ScanRecord:
    """The order of a scan, complete enough to resume it.

    Attributes:
        id: The scan's, which its first review shares.
        started: UTC, ISO 8601 with Z.
        scope: Name of the scope.
        seed: Of the order in which addresses are visited.
        plan_hash: Digest of the plan; a scan goes on only under the very same one.
        expected_hash: Digest of the addresses that are visited without being swept; the same holds.
        request: The request in plain JSON types; see request.py.
        planned: By vantage point, how many addresses are visited.
    """

    id: str
    started: str
    scope: str
    seed: int
    plan_hash: str
    expected_hash: str
    request: Mapping[str, Any]
    planned: Mapping[str, int] = field(default_factory=dict)


@dataclass(kw_only=True)
class SilentAddresses:
    """Addresses that did not answer, by vantage point and position in the scan's order.

    Attributes:
        blocks: (vantage, block) to one byte a position.
        changed: Blocks that are not stored yet.
    """

    blocks: dict[tuple[str, int], bytearray] = field(default_factory=dict)
    changed: set[tuple[str, int]] = field(default_factory=set)

    def note(self, vantage: str, position: int, outcome: str) -> None:
        """Write down that the address at a position was asked in vain."""
        key = (vantage, position // BLOCK)
        block = self.blocks.setdefault(key, bytearray(BLOCK))
        block[position % BLOCK] = OUTCOMES[outcome][0]
        self.changed.add(key)

    def known(self, vantage: str, position: int) -> bool:
        """Tell whether the address at a position has been asked already."""
        block = self.blocks.get((vantage, position // BLOCK))
        return block is not None and bool(block[position % BLOCK])

    def count(self, vantage: str) -> int:
        """How many addresses were asked in vain from a vantage point."""
        return sum(BLOCK - block.count(0) for (v, _), block in self.blocks.items() if v == vantage)

    def take_changed(self) -> dict[tuple[str, int], bytes]:
        """The blocks that changed since the last call."""
        taken = {key: bytes(self.blocks[key]) for key in self.changed}
        self.changed.clear()
        return taken


@dataclass(frozen=True, kw_only=True)
class ResumableScan:
    """All that a scan has seen so far.

    Attributes:
        visits: Read again each time, where a store has them.
        sweep: What the sweep has cost.
    """

    begun: ScanRecord
    visits: Collection[Visit]
    quiet: SilentAddresses
    sweep: Cost
