"""What the checks look at that judge a port by its accepting alone, since nothing may be said to it."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping

from hardenprobe.checking.absence import off_tcp
from hardenprobe.checking.check import DeviceView, Outcome, fail, unknown
from hardenprobe.model import Reason


def accepting(
    seen: DeviceView,
    ports: Mapping[int, str],
    expected: str,
    *,
    client_first: bool = False,
    wants_reserved: Container[int] = (),
) -> Iterable[Outcome]:
    """One finding for each of the ports that accepts and does not greet in another protocol.

    Args:
        ports: Port to the service that it is assigned to.
        client_first: The service says nothing before it is spoken to, so that whatever speaks unasked is another.
        wants_reserved: Ports whose service closes at once on a client whose own port is not below 1024.
    """
    told = False
    for port in seen.accepting:
        where = port.endpoint
        if where is None or where.port not in ports or port.facts.speaks or seen.ambiguous:
            continue
        told = True
        if port.facts.closed and where.port in wants_reserved and not port.facts.reserved:
            text = (
                "open, and closes at once, as it does where a client's port is not below 1024; not identified"
            )
            yield fail(port, text, expected)
        elif port.facts.closed:
            yield unknown(port, "open, and closes at once", expected, reason=Reason.DROPPED)
        elif client_first and port.facts.greeting:
            text = f"speaks unasked, as the assigned service, {ports[where.port]}, does not"
            yield unknown(port, text, expected)
        else:
            yield fail(port, f"accepts, assigned to {ports[where.port]}; protocol not confirmed", expected)
    if not told:
        yield off_tcp(seen, expected, ports=ports, accept_only=True)
