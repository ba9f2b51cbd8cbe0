"""What the checks of datagram services look at: questions that were answered, and what to say of those that were not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from hardenprobe.checking.absence import off_udp
from hardenprobe.checking.check import Outcome, Seen, fail
from hardenprobe.facts import Datagram
from hardenprobe.model import Reason

# What a protocol of one link tells, tells those on that link, unless it answers from further away.
LINK_LOCAL_VECTORS: Mapping[str, str] = {
    "": "AV:A/AC:L/Au:N/C:P/I:N/A:N/PL:A/EM:A",
    "off-link": "AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:A/EM:A",
}


def answered(
    seen: Seen,
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
        link_only: Its responders may ignore whoever asks from another link, so their silence tells nothing there.
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
    elsewhere = any(isinstance(o.facts, facts) and o.facts.answered for o in seen.elsewhere)
    outcome = off_udp(asked, elsewhere, expected, what)
    if link_only and seen.vantage.on_link is False and outcome.reason is Reason.SILENT:
        outcome = replace(outcome, reason=Reason.OFF_LINK)
    yield outcome
