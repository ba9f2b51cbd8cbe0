"""What the checks of datagram services look at: questions that were answered, and what to say of those that were not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from hardenprobe.checking.absence import off_udp
from hardenprobe.checking.check import DeviceView, Outcome, fail
from hardenprobe.facts import Datagram
from hardenprobe.model import Observation, Reason, Word

# What a protocol of one link tells, tells those on that link, unless it answers from further away.
LINK_LOCAL_VECTORS: Mapping[str, str] = {
    "": "AV:A/AC:L/Au:N/C:P/I:N/A:N/PL:A/EM:A",
    "off-link": "AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:A/EM:A",
}


def answered(
    seen: DeviceView,
    facts: type[Datagram],
    expected: str,
    what: str,
    *,
    link_only: bool = False,
    amplified: str | None = None,
    far: str | None = None,
) -> Iterable[Outcome]:
    """One finding for each endpoint that answered; where none did, what refusal and silence mean.

    Args:
        what: The service, as a sentence calls it.
        amplified: The check's vector for a reply longer than the request; None where it has one vector.
        far: The check's vector for a reply that comes from another link, where only its own should have one.
        link_only: Its responders may ignore requests from another link, so their silence proves nothing there.
    """
    asked = seen.of(facts)
    told = set()
    for question in asked:
        if question.facts.answered and question.endpoint not in told:
            told.add(question.endpoint)
            reply = question.facts
            text = f"{what} is answered: {' '.join((reply.says or '').split())}"
            value = {"amplification": reply.amplification, "sent": reply.sent, "received": reply.received}
            vector = amplified if reply.received > reply.sent else None
            if far and seen.vantage.on_link is False:
                vector = far
            yield fail(question, text, expected, value=value, vector=vector)
    if told:
        return
    unicast = [question for question in asked if not question.facts.group]
    elsewhere = any(isinstance(o.facts, facts) and o.facts.answered for o in seen.elsewhere)
    outcome = off_udp(unicast, elsewhere, expected, what)
    if link_only and outcome.word is Word.PASS and outcome.reason is None:
        outcome = _of_the_group(seen, outcome, asked, what)
    if link_only and seen.vantage.on_link is False and outcome.reason is Reason.SILENT:
        outcome = replace(outcome, reason=Reason.OFF_LINK)
    yield outcome


def _of_the_group(
    seen: DeviceView, outcome: Outcome, asked: Sequence[Observation[Datagram]], what: str
) -> Outcome:
    """A port that is unreachable for us may still listen to a group: off only where that was asked on the link."""
    group = [question for question in asked if question.facts.group]
    if any(question.facts.fault for question in group):
        text = f"{outcome.observed.text}, and its group is answered with something that cannot be read"
        reason = Reason.INCONCLUSIVE
    elif group_asked(asked):
        text = (
            f"{outcome.observed.text}, and its group was asked on the device's link without an answer of it"
        )
        proof = (*outcome.proof, *(question.id for question in group))
        return replace(outcome, observed=replace(outcome.observed, text=text), proof=proof)
    else:
        why = (
            "the device is on another link"
            if seen.vantage.on_link is False
            else "no granted link leads there"
        )
        text = f"{outcome.observed.text}; {what} listens to a group, which was not asked: {why}"
        reason = Reason.OFF_LINK
    return replace(outcome, word=Word.UNKNOWN, observed=replace(outcome.observed, text=text), reason=reason)


def group_asked(asked: Iterable[Observation[Datagram]]) -> bool:
    """The group was asked on the link of each address that was asked itself."""
    places = {True: set[str](), False: set[str]()}
    for question in asked:
        if question.endpoint:
            places[question.facts.group].add(question.endpoint.address)
    return bool(places[True]) and places[False] <= places[True]
