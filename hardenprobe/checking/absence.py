"""When nothing speaks: the table that decides what refusal and silence mean.

                      reset on every port     silent                         accepts, not recognised   absent
    must be off, TCP  pass, "off on ports"    pass, reason dropped, when     unknown                   -
                                              another port answers; else
                                              unknown
    must be off, UDP  port unreachable: pass  unknown, unless another        unknown                   -
                                              vantage point got an answer:
                                              then pass, reason dropped
    quality           notapplicable           unknown                        unknown                   notapplicable

A check calls one of these after it has yielded what it did see.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import Any

from hardenprobe.checking.check import DeviceView, Outcome
from hardenprobe.facts import TcpPort
from hardenprobe.model import Observation, Reason, Said, State, Word
from hardenprobe.scope.ports import NEVER_SPEAK


def off_tcp(
    seen: DeviceView, expected: str, *, ports: Iterable[int] | None = None, accept_only: bool = False
) -> Outcome:
    """Judge a thing that must be off, when no port showed it.

    A port of the never-speak list is taken for what it is assigned to: it was heard to say nothing, and nothing may be
    said to it.

    Args:
        ports: The ports that matter; all that were looked at by default.
        accept_only: Accepting alone would have been the exposure, so no accepting port is left to wonder about.

    Returns:
        One outcome for the device as a whole.
        closed: pass.
        filtered: pass with reason `dropped` where anything else of the device answers, else unknown, `silent`.
        open: unknown where its protocol is not recognised, else pass.
        no port looked at: unknown, `inconclusive`.
    """
    looked = _looked(seen, ports)
    if not looked.ports:
        return _whole(Word.UNKNOWN, "no port was looked at", expected, Reason.INCONCLUSIVE)
    if seen.ambiguous and accept_only:
        text = "a random high port is open as well, so an open port proves nothing"
        return _whole(Word.UNKNOWN, text, expected, Reason.AMBIGUOUS, looked.ids)
    groups = looked.groups
    mute = [o for o in groups[State.ACCEPTING] if not _identified(seen, o)]
    if mute and not accept_only:
        closing = all(o.facts.closed for o in mute)
        what = "open, and closes at once" if closing else "is open and its protocol is not recognised"
        reason = Reason.DROPPED if closing else Reason.INCONCLUSIVE
        return _whole(Word.UNKNOWN, f"{_ports(mute)} {what}", expected, reason, _ids(mute))
    if groups[State.SILENT]:
        text = f"{_ports(groups[State.SILENT])} silent"
        if not seen.answers:
            return _whole(Word.UNKNOWN, text, expected, Reason.SILENT, looked.ids)
        text += f", the rest off or something else; from vantage point {seen.vantage.name} only"
        return _whole(Word.PASS, text, expected, Reason.DROPPED, looked.ids)
    text = f"{'not' if groups[State.ACCEPTING] else 'off'} on {looked.text}"
    return _whole(Word.PASS, text, expected, None, looked.ids)


def off_udp(asked: Sequence[Observation[Any]], answered_elsewhere: bool, expected: str, what: str) -> Outcome:
    """Judge a datagram service that must be off, when no query was answered.

    Args:
        asked: Observations of the queries; their facts have a `state`.
        answered_elsewhere: Another vantage point got an answer to the same query.
        what: The service as a sentence calls it, without an article: "SNMP".

    Returns:
        One outcome, at the place of the first query where there was one.
        closed: pass, where the port is unreachable at every address that was asked.
        filtered: unknown, `silent`; pass with reason `dropped` where another vantage point got an answer.
        open: unknown, `inconclusive`: an answer that could not be read.
        not asked: unknown, `inconclusive`.
    """
    proof = tuple(o.id for o in asked)
    where = asked[0].endpoint if asked else None
    if not asked:
        return _whole(Word.UNKNOWN, f"{what} was not asked", expected, Reason.INCONCLUSIVE)
    unread = [o for o in asked if o.facts.state is State.ACCEPTING]
    if unread:
        return Outcome(
            word=Word.UNKNOWN,
            observed=Said(text=f"{what} is answered with something that cannot be read"),
            expected=Said(text=expected),
            endpoint=unread[0].endpoint,
            reason=Reason.INCONCLUSIVE,
            proof=proof,
        )
    # One of several addresses that refuses says nothing of the others.
    refusing = {o.endpoint for o in asked if o.facts.state is State.REFUSING}
    if all(o.endpoint in refusing for o in asked):
        return Outcome(
            word=Word.PASS,
            observed=Said(text=f"the port of {what} is unreachable"),
            expected=Said(text=expected),
            endpoint=where,
            proof=proof,
        )
    if answered_elsewhere:
        text = f"{what} is silent from here and answers another vantage point"
        return Outcome(
            word=Word.PASS,
            observed=Said(text=text),
            expected=Said(text=expected),
            endpoint=where,
            reason=Reason.DROPPED,
            proof=proof,
        )
    return Outcome(
        word=Word.UNKNOWN,
        observed=Said(text=f"{what} is silent: off, filtered, or not willing to answer this question"),
        expected=Said(text=expected),
        endpoint=where,
        reason=Reason.SILENT,
        proof=proof,
    )


def no_service(seen: DeviceView, expected: str, what: str, ports: Iterable[int] | None = None) -> Outcome:
    """Judge the quality of a service that did not answer.

    Args:
        what: The service as a sentence calls it, without an article: "TLS service".
        ports: Where the service could live; all that were looked at by default.

    Returns:
        One outcome for the device as a whole.
        closed: notapplicable, and so where no port was looked at.
        filtered: unknown, `silent`.
        open: unknown where its protocol is not recognised, or it closes at once; else notapplicable.
    """
    looked = _looked(seen, ports)
    proof, groups = looked.ids, looked.groups
    if groups[State.SILENT]:
        text = f"{_ports(groups[State.SILENT])} silent, and no {what} elsewhere"
        return _whole(Word.UNKNOWN, text, expected, Reason.SILENT, proof)
    closing = [o for o in groups[State.ACCEPTING] if o.facts.closed]
    if closing:
        text = f"{_ports(closing)} open, and closes at once, and no {what} elsewhere"
        return _whole(Word.UNKNOWN, text, expected, Reason.DROPPED, proof)
    mute = [o for o in groups[State.ACCEPTING] if not _identified(seen, o)]
    if mute:
        text = f"{_ports(mute)} is open and its protocol is not recognised, and no {what} elsewhere"
        return _whole(Word.UNKNOWN, text, expected, Reason.INCONCLUSIVE, proof)
    return _whole(Word.NOTAPPLICABLE, f"no {what} on the ports looked at", expected, None, proof)


def _whole(
    word: Word, observed: str, expected: str, reason: Reason | None, proof: tuple[str, ...] = ()
) -> Outcome:
    """An outcome for the device as a whole."""
    return Outcome(
        word=word, observed=Said(text=observed), expected=Said(text=expected), reason=reason, proof=proof
    )


class _PortStates:
    """The ports that were looked at, as many checks want them."""

    def __init__(self, ports: list[Observation[TcpPort]]) -> None:
        self.ports = ports
        self.groups = _by_state(ports)
        self.ids = _ids(ports)

    @cached_property
    def text(self) -> str:
        return _ports(self.ports)


def _looked(seen: DeviceView, ports: Iterable[int] | None) -> _PortStates:
    wanted = None if ports is None else frozenset(ports)
    key = ("ports that were looked at", wanted)
    if key not in seen.memo:
        found = [o for o in seen.tcp_ports if o.endpoint and (wanted is None or o.endpoint.port in wanted)]
        seen.memo[key] = _PortStates(found)
    known: _PortStates = seen.memo[key]
    return known


def _identified(seen: DeviceView, port: Observation[TcpPort]) -> bool:
    where = port.endpoint
    if where is None:
        return False
    return (where.address, where.port) in seen.identified or (
        where.port in NEVER_SPEAK and not port.facts.closed and not port.facts.greeting
    )


def _ids(looked: Iterable[Observation[Any]]) -> tuple[str, ...]:
    return tuple(o.id for o in looked)


def _by_state(looked: Iterable[Observation[TcpPort]]) -> dict[State, list[Observation[TcpPort]]]:
    groups: dict[State, list[Observation[TcpPort]]] = {state: [] for state in State}
    for seen in looked:
        groups[seen.facts.state].append(seen)
    return groups


def _ports(looked: Iterable[Observation[TcpPort]]) -> str:
    """Name the ports: "21/tcp, 23/tcp"; long lists are counted."""
    numbers = sorted({o.endpoint.port for o in looked if o.endpoint})
    if len(numbers) > 8:
        return f"{len(numbers)} TCP ports ({numbers[0]} to {numbers[-1]})"
    return ", ".join(f"{number}/tcp" for number in numbers)
