"""Where a scan, the inventory and what was decided of devices differ, as a review keeps it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True, kw_only=True)
class Elsewhere:
    """A listed device that was met, and not as it is listed.

    Attributes:
        what: "address": it was met where it is not listed; "name": it calls itself by none of its listed names.
        listed: What the inventory says.
        seen: What it was met at, or what it calls itself; device text.
    """

    asset_tag: str
    device: str
    what: Literal["address", "name"]
    listed: tuple[str, ...]
    seen: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RetiredSeen:
    """A device that was taken out of the fleet, and answers.

    Attributes:
        label: What it was called when it was retired.
        addresses: Where it was met.
        retired_on: Day (UTC).
        entry: Id of the retirement in the ledger.
        known_by: What tells that it is the same one: "serial", "asset-tag", "printer-uuid", "engine-id", "host-key"; or
            "id" where only a name or an address does, which another device may have by now.
    """

    device: str
    label: str
    addresses: tuple[str, ...]
    retired_on: str
    entry: str
    known_by: str
