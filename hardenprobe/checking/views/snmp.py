"""What SNMP checks share: what no answer to a default community means."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

from hardenprobe.checking.check import DeviceView, Outcome, unknown
from hardenprobe.facts import SnmpAnswer, SnmpConnections, SnmpEngine, SnmpObjects, SnmpWriteBack
from hardenprobe.model import Endpoint, Observation, Reason, Said, State, Word

SUCCESS, NO_ACCESS, AUTHORIZATION_ERROR = 0, 6, 16  # error-status, RFC 3416 section 3


def absent(seen: DeviceView, expected: str, what: str) -> Outcome:
    """Judge when no agent let itself be read: not applicable where the port refuses, else unknown.

    Args:
        what: What could not be read, as a sentence calls it.
    """
    asked: list[Observation[Any]] = [*seen.of(SnmpEngine), *seen.of(SnmpAnswer)]
    if asked and all(o.facts.state is State.REFUSING for o in asked):
        return Outcome(
            word=Word.NOTAPPLICABLE,
            observed=Said(text="no SNMP agent: the port is unreachable"),
            expected=Said(text=expected),
            proof=tuple(o.id for o in asked),
        )
    if any(o.facts.origin == "default" and o.facts.error_status is not None for o in seen.of(SnmpAnswer)):
        why, reason = "a default community is answered and does not show it", Reason.INCONCLUSIVE
    elif any(o.facts.state is State.ACCEPTING for o in asked):
        why, reason = "no default community is answered", Reason.NO_CREDENTIAL
    elif asked:
        why, reason = "no default community is answered", Reason.SILENT
    else:
        why, reason = "SNMP was not asked", Reason.INCONCLUSIVE
    text = f"{what} was not read: {why}"
    return Outcome(
        word=Word.UNKNOWN,
        observed=Said(text=text),
        expected=Said(text=expected),
        reason=reason,
        proof=tuple(o.id for o in asked),
    )


def readings(
    seen: DeviceView, expected: str, what: str, shown: Callable[[SnmpObjects], bool]
) -> tuple[list[Observation[SnmpObjects]], list[Outcome]]:
    """The readings that show something, and an outcome where none does.

    Args:
        what: What is looked for, as a sentence calls it.
    """
    read = seen.of(SnmpObjects)
    found = [one for one in read if shown(one.facts)]
    if found:
        return found, []
    if not read:
        return [], [absent(seen, expected, what)]
    why = next((f"reading ended early: {o.facts.fault}" for o in read if o.facts.fault), "it is not shown")
    return [], [unknown(read[0], f"{what} was not read: {why}", expected)]


def untried(expected: str, what: str) -> Outcome:
    """Judge when a secret would have been needed and none was given or sent."""
    return Outcome(
        word=Word.UNKNOWN,
        observed=Said(text=what),
        expected=Said(text=expected),
        reason=Reason.NO_CREDENTIAL,
    )


def listening(told: SnmpConnections, at: Endpoint) -> bool:
    """Whether the device reports that it listens on a port of one of its addresses; listeners of another address do not count.

    Source: RFC 4022, tcpListenerLocalAddress: 0.0.0.0 and :: are every address of their family, nothing is both.
    """
    wanted = {at.address, "", "::" if ":" in at.address else "0.0.0.0"}
    return any(
        (one.transport, one.port) == (at.transport, at.port) and one.address in wanted
        for one in told.listeners
    )


def write_backs(seen: DeviceView, origin: str, expected: str) -> Iterator[Outcome]:
    """What each attempt to put sysContact back proves."""
    for one in seen.of(SnmpWriteBack):
        facts = one.facts
        if facts.origin != origin:
            continue
        outcome = Outcome(
            word=Word.UNKNOWN,
            observed=Said(text=""),
            expected=Said(text=expected),
            endpoint=one.endpoint,
            subject=f'community "{facts.label}"',
            reason=Reason.INCONCLUSIVE,
            proof=(one.id,),
        )
        if facts.error_status == SUCCESS:
            after = {True: "and reads as before", False: "and READS DIFFERENTLY AFTERWARDS: put it right"}
            text = f"sysContact was written back, {after.get(facts.same, 'and could not be read again')}"  # type: ignore[arg-type]
            yield replace(outcome, word=Word.FAIL, observed=Said(text=text, value=facts.same), reason=None)
        elif facts.error_status == AUTHORIZATION_ERROR:
            # RFC 3413 section 3.2: no write view, group or access entry at all, whichever object it is.
            text = "the write is refused with authorizationError: the community has no write access"
            yield replace(
                outcome, word=Word.PASS, observed=Said(text=text, value=AUTHORIZATION_ERROR), reason=None
            )
        elif facts.error_status == NO_ACCESS:
            # RFC 3416 section 4.2.5: this object is outside the view, and another may be inside.
            text = "the write is refused with noAccess, which holds for sysContact alone; no other object is tried"
            yield replace(outcome, observed=Said(text=text, value=NO_ACCESS))
        elif facts.written and facts.error_status is not None:
            text = f"the write is refused with error-status {facts.error_status}, which may hold for sysContact alone"
            yield replace(outcome, observed=Said(text=text, value=facts.error_status))
        elif facts.written:
            yield unknown(one, "the write was not answered", expected, subject=outcome.subject)
        elif facts.state is State.ACCEPTING:
            yield replace(outcome, observed=Said(text="sysContact cannot be read, so nothing was written"))
