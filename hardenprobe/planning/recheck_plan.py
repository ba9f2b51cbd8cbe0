"""Which findings of an earlier review are asked about again, where, and what of that review holds on the way."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import date
from pathlib import Path
from typing import Any

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.devices.inventory import Inventory, Listed
from hardenprobe.devices.matching import Known
from hardenprobe.errors import UsageError, clip
from hardenprobe.model import Authorisation, BaselineRule, Rechecked
from hardenprobe.model.document import adapter, dump
from hardenprobe.planning.plan import AddressPlan
from hardenprobe.scope.limits import Gentleness
from hardenprobe.scope.scope import Scope
from hardenprobe.scope.window import Window

_FRACTIONS = ("seconds", "pause", "connections_per_second")
_WINDOW = re.compile(r"(\S+) to (\S+) (\S+)")


@dataclass(frozen=True, kw_only=True)
class Place:
    """An address that is asked again.

    Attributes:
        kinds: The kinds of facts that are wanted there.
        device: Id of the device that the earlier review met.
        marks: What it showed that tells it again.
        formerly: Ids that it had besides.
        multihomed: As in model.Device.
    """

    address: str
    tcp_ports: tuple[int, ...]
    udp_ports: tuple[int, ...]
    kinds: tuple[str, ...]
    device: str
    marks: tuple[tuple[str, str], ...] = ()
    formerly: tuple[str, ...] = ()
    multihomed: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class RecheckRecord:
    """A recheck in plain values that a store can keep.

    Attributes:
        review: Id of the earlier review.
        scope: Name of its scope.
        authorisation: The scope that it ran under; asked under again where no scope file is given.
        rules: How it chose baselines.
        listed: What it knew of the devices from an inventory; used where no inventory is given.
        approved: The approved networks of that inventory.
        source: Its file.
    """

    review: str
    findings: tuple[Rechecked, ...]
    places: tuple[Place, ...]
    scope: str
    authorisation: Authorisation | None = None
    rules: tuple[BaselineRule, ...] = ()
    listed: tuple[Listed, ...] = ()
    approved: tuple[str, ...] = ()
    source: str = ""

    def document(self) -> dict[str, Any]:
        """The same in plain JSON types."""
        plain: dict[str, Any] = dump(RecheckRecord, self)
        return plain

    @classmethod
    def of(cls, document: Mapping[str, Any]) -> RecheckRecord:
        """Read it back.

        Raises:
            ValueError, TypeError: It is none.
        """
        found: RecheckRecord = adapter(RecheckRecord).validate_json(json.dumps([document]))[0]
        return found

    @property
    def shares(self) -> dict[str, AddressPlan]:
        """What is asked at each address."""
        return {
            one.address: AddressPlan(
                tcp_ports=one.tcp_ports, udp_ports=one.udp_ports, kinds=frozenset(one.kinds)
            )
            for one in self.places
        }

    @property
    def known(self) -> dict[str, Known]:
        """Who answered at each address."""
        return {
            one.address: Known(
                device=one.device, marks=one.marks, formerly=one.formerly, multihomed=one.multihomed
            )
            for one in self.places
        }

    def inventory(self) -> Inventory:
        """The inventory as far as the review kept it, for its own addresses alone."""
        return Inventory(
            devices=self.listed,
            approved_networks=self.approved,
            baselines=self.rules,
            source=self.source,
            by_address={address: one for one in self.listed for address in one.addresses},
            by_serial={one.serial: one for one in self.listed if one.serial},
        )

    def kept_scope(self) -> Scope | None:
        """The scope as the review kept it; None where it kept none. Of a scan of this machine it is this machine.

        Raises:
            UsageError: Its hours cannot be read.
        """
        kept = self.authorisation
        if kept is None:
            return None
        if kept.file_hash is None:
            return Scope.loopback()
        ceilings = {f.name: kept.gentleness[f.name] for f in fields(Gentleness) if f.name in kept.gentleness}
        hours = _WINDOW.fullmatch(kept.window) if kept.window else None
        if kept.window and not hours:
            raise UsageError(
                f"the hours of scope {clip(self.scope)} in review {self.review} cannot be read; give the scope file with --scope"
            )
        return Scope(
            name=self.scope,
            networks=AddressSet.of(kept.networks),
            public=AddressSet.of(kept.public),
            exclude=AddressSet.of(kept.excluded),
            leased=kept.leased,
            reach=kept.reach,
            grants=None if kept.grants is None else frozenset(kept.grants),
            gentleness=_gentleness(ceilings),
            until=date.fromisoformat(kept.until) if kept.until else None,
            window=Window(first=hours[1], last=hours[2], zone=hours[3]) if hours else None,
            stop_file=Path(kept.stop_file) if kept.stop_file else None,
            sources=AddressSet.of(kept.sources) if kept.sources else None,
            authorised_by=kept.authorised_by,
            contacts=kept.contacts,
            abort=kept.abort,
            file_hash=kept.file_hash,
        )


def _gentleness(ceilings: Mapping[str, float]) -> Gentleness:
    """Counts are whole numbers; a review keeps all of them as numbers with a fraction."""
    whole = {key: int(value) for key, value in ceilings.items() if key not in _FRACTIONS}
    return Gentleness(
        **whole,
        seconds=ceilings.get("seconds"),
        pause=ceilings.get("pause"),
        connections_per_second=ceilings.get("connections_per_second"),
    )
