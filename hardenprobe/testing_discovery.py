"""Builders of what datagram questions and the odd TCP services bring, for tests. Everything in them is invented."""

from __future__ import annotations

from typing import Any

from hardenprobe.facts_discovery import DnsSdText, RfbSecurity, SmbNegotiation
from hardenprobe.records import Observation, State
from hardenprobe.testing import at


def question(
    make: Any,
    port: int,
    state: State = State.ACCEPTING,
    *,
    says: str | None = None,
    address: str = "127.0.9.10",
    vantage: str = "office",
    transport: Any = "udp",
    **more: Any,
) -> Observation[Any]:
    """Make the observation of one question to a datagram service; an accepting one without `says` cannot be read.

    Args:
        make: The kind of facts; `more` are fields of it.
    """
    fault = "no answer to it" if state is State.ACCEPTING and says is None else None
    facts = make(
        question="?", state=state, says=says, sent=20, received=50 if says else 0, fault=fault, **more
    )
    return at(port, facts, transport=transport, address=address, vantage=vantage)


def text_record(
    *filled: str, instance: str = "Scans._ftp._tcp.local.", empty: tuple[str, ...] = ()
) -> Observation[Any]:
    """Make the observation of one published TXT record."""
    facts = DnsSdText(instance=instance, keys=(*filled, *empty), filled=filled)
    return at(5353, facts, transport="udp", protocol="mdns")


def smb(asked: str, dialect: str | None = None, signing: bool | None = None, **more: Any) -> Observation[Any]:
    """Make the observation of one SMB negotiation; answered unless there is a `fault`."""
    facts = SmbNegotiation(
        asked=asked, answered="fault" not in more, dialect=dialect, signing_required=signing, **more
    )
    return at(445, facts, protocol="smb")


def screen(*types: int, **more: Any) -> Observation[Any]:
    """Make the observation of a remote screen's list of security types."""
    return at(5900, RfbSecurity(version="3.8", types=types, **more), protocol="rfb")
