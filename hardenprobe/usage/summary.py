"""Who used a service, over all sources; and what may be said where nobody was seen. Pure.

Absence is said for the time that is covered, at the places where it was looked, of devices of which something was seen there.
"""

from __future__ import annotations

from collections.abc import Collection, Container, Iterable, Mapping
from datetime import datetime

from hardenprobe.model import Transport
from hardenprobe.model.usage import ServiceUsage, UsageSource, UsageState, Use, User

_DAY = 86400
_BY_GROUP = frozenset({137, 138, 427, 1900, 3702, 5353, 5355})
"""UDP services that are asked by broadcast or multicast, so that no packet tells whose service was wanted."""


class Usage:
    """What sources say, indexed by service.

    Args:
        scanners: Addresses that a scan was made from, whose conversations are no use.
        day: ISO 8601; what expired by then is left out. Nothing is, where it is empty.

    >>> Usage((), ()).of(("192.0.2.7",), "tcp", 515).state
    'not-covered'
    """

    def __init__(
        self,
        sources: Iterable[UsageSource],
        uses: Iterable[Use],
        scanners: Container[str] = (),
        day: str = "",
    ) -> None:
        self._sources = tuple(one for one in sources if not one.expired(day))
        self._scanners = scanners
        self._uses: dict[tuple[str, Transport, int], list[Use]] = {}
        current = {one.id for one in self._sources}
        self._tables = {one.id for one in self._sources if one.kind == "table"}
        for use in uses:
            if use.source in current:
                self._uses.setdefault((use.address, use.transport, use.port), []).append(use)

    def __bool__(self) -> bool:
        return bool(self._sources)

    @property
    def addresses(self) -> list[str]:
        """The addresses of devices of which anything is covered or was used."""
        covered_ = {address for one in self._sources for address in one.devices}
        return sorted(covered_ | {address for address, _, _ in self._uses})

    def of(self, addresses: Collection[str], transport: Transport, port: int) -> ServiceUsage:
        """Who used a port of a device.

        Args:
            addresses: All of the device's.
        """
        seen = [use for one in addresses for use in self._uses.get((one, transport, port), ())]
        found = [use for use in seen if use.client not in self._scanners]
        covering = [
            one
            for one in self._sources
            if one.id not in self._tables and not set(one.devices).isdisjoint(addresses)
        ]
        state: UsageState = "used" if found else "no-use-seen" if covering else "not-covered"
        if not found and transport == "udp" and port in _BY_GROUP:
            state = "not-covered"
        return ServiceUsage(
            transport=transport,
            port=port,
            state=state,
            users=_users(found),
            days=round(covered(covering) / _DAY, 2),
            first=min((one.first for one in covering), default=None),
            last=max((one.last for one in covering), default=None),
            scanned=len(found) < len(seen),
            places=tuple(dict.fromkeys(one.place for one in covering)),
            partial=any(one.lost or one.sampled > 1 for one in covering),
            reported=any(use.source in self._tables for use in found),
        )

    def of_device(self, addresses: Collection[str]) -> Mapping[tuple[Transport, int], ServiceUsage]:
        """Every service of a device that was used, by transport and port."""
        found: dict[tuple[Transport, int], ServiceUsage] = {}
        for address, transport, port in sorted(self._uses):
            if address in addresses:
                found[transport, port] = self.of(addresses, transport, port)
        return found


def covered(sources: Iterable[UsageSource]) -> float:
    """Seconds that sources cover together; what several cover counts once.

    >>> covered(())
    0.0
    """
    total, end = 0.0, float("-inf")
    for first, last in sorted((_seconds(one.first), _seconds(one.last)) for one in sources):
        total += max(0.0, last - max(first, end))
        end = max(end, last)
    return total


def _users(uses: Iterable[Use]) -> tuple[User, ...]:
    found: dict[str, User] = {}
    for use in uses:
        known = found.get(use.client)
        found[use.client] = User(
            client=use.client,
            first=min(use.first, known.first) if known else use.first,
            last=max(use.last, known.last) if known else use.last,
            conversations=use.conversations + (known.conversations if known else 0),
            bytes_sent=use.bytes_sent + (known.bytes_sent if known else 0),
            bytes_received=use.bytes_received + (known.bytes_received if known else 0),
        )
    return tuple(sorted(found.values(), key=lambda user: (user.last, user.client), reverse=True))


def _seconds(moment: str) -> float:
    return datetime.fromisoformat(moment).timestamp()
