"""Whether a service serves us: what a page, a reply, a greeting or a silence means for access."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.checking.check import DeviceView
from hardenprobe.facts import DeclaredAllowList, HttpAnswer, TcpPort
from hardenprobe.model import Observation, State
from hardenprobe.scope.ports import SERVICES


@dataclass(frozen=True, kw_only=True)
class Attempt:
    """What one of our sources met at one address of a service.

    Attributes:
        source: Our own address; None where that is not known.
        heard: All that was heard of the port there.
        serving: What shows that the service serves us.
        served: It serves some source of ours at some address of the device.
        turned: It turned us away: it closed at once or said 403; or it refused or was silent, while it serves another
            source or at another address, or something else of the device answers.
        dropped: All that shows it is silence.
    """

    service: str
    address: str
    source: str | None
    heard: Sequence[Observation[Any]]
    serving: Observation[Any] | None
    served: bool
    turned: bool
    dropped: bool

    @property
    def telling(self) -> Observation[Any]:
        """The one that says most."""
        return ([one for one in self.heard if not isinstance(one.facts, TcpPort)] or list(self.heard))[-1]


def attempts(seen: DeviceView, service: str) -> Iterator[Attempt]:
    """What each address of a device did when a service was tried; a service that serves nobody anywhere is off.

    Args:
        service: A word of ports.SERVICES.
    """
    for transport, port in SERVICES[service]:
        here = _by_address(seen.observations, transport, port)
        everywhere = (
            one
            for heard in _by_address((*seen.observations, *seen.elsewhere), transport, port).values()
            for one in heard
        )
        served = any(serves(service, one.facts) for one in everywhere)
        for address, heard in here.items():
            states = {getattr(one.facts, "state", None) for one in heard}
            serving = next((one for one in heard if serves(service, one.facts)), None)
            refused = says_no(service, heard) or (served and State.REFUSING in states)
            quiet = State.SILENT in states and State.ACCEPTING not in states
            dropped = quiet and (served or (seen.answers and transport == "tcp"))
            if serving is None and not refused and not served and states == {State.REFUSING}:
                continue  # off
            yield Attempt(
                service=service,
                address=address,
                source=seen.source_at(address),
                heard=heard,
                serving=serving,
                served=served,
                turned=serving is None and (refused or dropped),
                dropped=serving is None and dropped and not refused,
            )


def _by_address(
    observations: Iterable[Observation[Any]], transport: str, port: int
) -> dict[str, list[Observation[Any]]]:
    found: dict[str, list[Observation[Any]]] = {}
    for one in observations:
        where = one.endpoint
        if (
            where
            and (where.transport, where.port) == (transport, port)
            and not getattr(one.facts, "control", False)
        ):
            found.setdefault(where.address, []).append(one)
    return found


def admitted(lists: Iterable[DeclaredAllowList], service: str, source: str | None) -> bool | None:
    """Whether the declared lists of a service admit a source: one is enough. None where none is declared, or the source is not known; an empty one admits everyone."""
    ours = [one for one in lists if service in one.services and one.entries]
    return any(source in AddressSet.of(one.entries) for one in ours) if ours and source else None


def serves(service: str, facts: Any) -> bool:
    """One observation shows that the service serves us. A demand for credentials serves; a bare handshake does not.

    Args:
        service: A word of ports.SERVICES.
    """
    if service in ("http", "https"):
        return isinstance(facts, HttpAnswer) and facts.status not in (None, 403) and not facts.learned
    if service == "snmp":
        return (
            getattr(facts, "error_status", None) is not None or getattr(facts, "engine_id", None) is not None
        )
    # Of other services a connection that stays open is all that may be seen.
    return isinstance(facts, TcpPort) and facts.state is State.ACCEPTING and not facts.closed


def says_no(service: str, heard: Sequence[Observation[Any]]) -> bool:
    """It refused us beyond doubt; a silent SNMP agent may only dislike the community."""
    if service == "snmp":
        return any(getattr(one.facts, "state", None) is State.REFUSING for one in heard)
    told = [one.facts for one in heard]
    if any(isinstance(f, TcpPort) and f.closed for f in told):
        return True
    pages = [f for f in told if isinstance(f, HttpAnswer) and not f.learned]
    return any((f.status == 403 and not f.cut) or f.fault == "closed" for f in pages)


def shut(service: str, heard: Sequence[Observation[Any]]) -> bool:
    """It refused us beyond doubt, or refuses everybody."""
    return says_no(service, heard) or any(
        isinstance(one.facts, TcpPort) and one.facts.state is State.REFUSING for one in heard
    )


def heard_by_port(observations: Iterable[Observation[Any]], service: str) -> Iterator[list[Observation[Any]]]:
    """What was heard of a service, one address and port after the other."""
    found: dict[tuple[str, int], list[Observation[Any]]] = {}
    for one in observations:
        where = one.endpoint
        if where and (where.transport, where.port) in SERVICES.get(service, ()):
            found.setdefault((where.address, where.port), []).append(one)
    yield from found.values()


def serving_us(service: str, heard: Sequence[Observation[Any]]) -> Observation[Any] | None:
    """What of a port shows that the service serves us; where nothing was asked, a connection that stays open does."""
    asked = any(not isinstance(one.facts, TcpPort) for one in heard)
    return next((one for one in heard if serves(service if asked else "tcp", one.facts)), None)


def served_elsewhere(seen: DeviceView, service: str, heard: Sequence[Observation[Any]]) -> bool:
    """All of a port is silent to us, and the same port of the same address serves another vantage point."""
    if any(getattr(one.facts, "state", None) is not State.SILENT for one in heard):
        return False
    places = {(one.endpoint.address, one.endpoint.port) for one in heard if one.endpoint}
    theirs = [o for o in seen.elsewhere if o.endpoint and (o.endpoint.address, o.endpoint.port) in places]
    return any(serving_us(service, others) for others in heard_by_port(theirs, service))


def silent(heard: Iterable[Observation[Any]]) -> bool:
    """A TCP port of it gave no sign of life."""
    return any(isinstance(one.facts, TcpPort) and one.facts.state is State.SILENT for one in heard)


def service_at(transport: str, port: int) -> str:
    """The word of ports.SERVICES for a port; "tcp" where it has none."""
    return next((word for word, places in SERVICES.items() if (transport, port) in places), "tcp")


HeardByPort = dict[int, dict[int, dict[tuple[str, str], list[Observation[Any]]]]]


def by_port_and_family(observations: Iterable[Observation[Any]]) -> HeardByPort:
    """TCP port to family (4 or 6) to what was heard at each address from each vantage point."""
    found: HeardByPort = {}
    for one in observations:
        where = one.endpoint
        if where is None or where.transport != "tcp" or not isinstance(one.facts, TcpPort | HttpAnswer):
            continue
        if not (isinstance(one.facts, TcpPort) and one.facts.control):
            family = found.setdefault(where.port, {}).setdefault(6 if ":" in where.address else 4, {})
            family.setdefault((where.address, one.vantage), []).append(one)
    return found
