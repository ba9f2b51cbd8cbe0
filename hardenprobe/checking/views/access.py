"""Whether a service serves us: what a page, a reply, a greeting or a silence means for access."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from hardenprobe.checking.check import Seen
from hardenprobe.facts import HttpAnswer, TcpPort
from hardenprobe.model import Observation, State
from hardenprobe.scope.ports import SERVICES


def answers(seen: Seen, service: str, transport: str, port: int) -> Iterator[list[Observation[Any]]]:
    """What was heard of one port at each address.

    A port that refuses is left out, unless it serves another vantage point: then it is on, and refuses us.
    """
    elsewhere = {
        one.endpoint.address for one in seen.elsewhere
        if _is_at(one, transport, port) and one.endpoint and serves(service, one.facts)
    }  # fmt: skip
    found: dict[str, list[Observation[Any]]] = {}
    for one in seen.observations:
        if one.endpoint is None or not _is_at(one, transport, port):
            continue
        refuses = isinstance(one.facts, TcpPort) and one.facts.state is State.REFUSING
        if not refuses or one.endpoint.address in elsewhere:
            found.setdefault(one.endpoint.address, []).append(one)
    yield from found.values()


def _is_at(one: Observation[Any], transport: str, port: int) -> bool:
    where = one.endpoint
    return where is not None and (where.transport, where.port) == (transport, port)


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


def silent(heard: Iterable[Observation[Any]]) -> bool:
    """A TCP port of it gave no sign of life."""
    return any(isinstance(one.facts, TcpPort) and one.facts.state is State.SILENT for one in heard)


def service_at(transport: str, port: int) -> str:
    """The word of ports.SERVICES for a port; "tcp" where it has none."""
    return next((word for word, places in SERVICES.items() if (transport, port) in places), "tcp")
