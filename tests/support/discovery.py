"""Builders of what datagram questions and the odd TCP services bring, for tests. Everything in them is invented."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from hardenprobe.checking.check import Check, NoSettings
from hardenprobe.facts import DnsSdText, RfbSecurity, SmbNegotiation
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device
from support.branches import Branch

Ask = Callable[..., Observation[Any]]


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


def branches(ask: Ask, says: str, *, group: bool = False) -> dict[str, Branch]:
    """Every branch of a datagram service that must be off, by name.

    Args:
        ask: Makes one observation of the service; takes `state`, `says`, `address` and `vantage`.
        says: What a readable answer says.
        group: The service listens to a multicast group.
    """
    answered, silent, refused = ask(says=says), ask(State.SILENT), ask(State.REFUSING)
    of_group = _of_the_group(ask, says, refused) if group else {}
    return of_group | {
        "answered": Branch(observations=(answered,), word=Word.FAIL),
        "answered at the second question": Branch(observations=(silent, answered), word=Word.FAIL),
        "an answer that says nothing is an answer": Branch(observations=(ask(says=""),), word=Word.FAIL),
        "port unreachable": Branch(observations=(refused,), word=Word.UNKNOWN, reason=Reason.OFF_LINK)
        if group
        else Branch(observations=(refused,), word=Word.PASS),
        "silent, answers another vantage point": Branch(
            observations=(silent,),
            elsewhere=(ask(says=says, vantage="guest"),),
            word=Word.PASS,
            reason=Reason.DROPPED,
        ),
        "silent": Branch(observations=(silent,), word=Word.UNKNOWN, reason=Reason.SILENT),
        "silent, from another link": Branch(
            observations=(silent,),
            on_link=False,
            word=Word.UNKNOWN,
            reason=Reason.OFF_LINK if group else Reason.SILENT,
        ),
        "what came back is no answer": Branch(
            observations=(ask(),), word=Word.UNKNOWN, reason=Reason.INCONCLUSIVE
        ),
        "one address unreachable, the other silent": Branch(
            observations=(refused, ask(State.SILENT, address="127.0.9.11")),
            word=Word.UNKNOWN,
            reason=Reason.SILENT,
        ),
        "not asked": Branch(observations=(), word=Word.UNKNOWN, reason=Reason.INCONCLUSIVE),
    }


def _of_the_group(ask: Ask, says: str, refused: Observation[Any]) -> dict[str, Branch]:
    """What the question to the group adds to a port that is unreachable."""
    quiet = ask(State.SILENT, group=True)
    other = ask(State.REFUSING, address="127.0.9.11")
    return {
        "port unreachable, group silent": Branch(observations=(refused, quiet), word=Word.PASS),
        "port unreachable, group answered": Branch(
            observations=(refused, ask(says=says, group=True)), word=Word.FAIL
        ),
        "port unreachable, group answered with noise": Branch(
            observations=(refused, ask(group=True)), word=Word.UNKNOWN, reason=Reason.INCONCLUSIVE
        ),
        "the group of one of two addresses was not asked": Branch(
            observations=(refused, quiet, other), word=Word.UNKNOWN, reason=Reason.OFF_LINK
        ),
        "silent, and so is the group": Branch(
            observations=(ask(State.SILENT), quiet), word=Word.UNKNOWN, reason=Reason.SILENT
        ),
    }


def one_finding_for_each_address(check: Check[Any], ask: Ask, says: str) -> None:
    """Assert that an answer is a finding once for each address, with its amplification."""
    one, other = ask(says=says), ask(says=says, address="127.0.9.11")
    outcomes = list(check.judge(seen_device(one, one, other), NoSettings()))
    assert [(o.word, o.endpoint) for o in outcomes] == [
        (Word.FAIL, one.endpoint),
        (Word.FAIL, other.endpoint),
    ]
    assert outcomes[0].observed.value == {"amplification": 2.5, "sent": 20, "received": 50}


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
