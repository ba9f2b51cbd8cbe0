"""A port answers questions of the Identification Protocol.

Fails when
    113/tcp answers a question of RFC 1413.
Passes when
    The port is closed, or another protocol was recognised there.
Unknown when
    The port is open and its protocol is not recognised, or it is filtered and nothing
    else of the device answers.
Reach
    ask: one connection and one question.
Why it matters
    Say in a sentence or two what somebody could do with it.
Sources
    RFC 1413, section 6; NIST SP 800-53 Rev. 5, CM-7
"""

from collections.abc import Iterator
from dataclasses import dataclass

from hardenprobe import (
    Check,
    DeviceView,
    Outcome,
    Remedy,
    fail,
    note,
    off_tcp,
    question,
)
from hardenprobe.facts import TcpPort, facts, readable

PORT = 113  # IANA Service Name and Transport Protocol Port Number Registry
QUESTION = b"1, 1\r\n"  # RFC 1413 section 4: a connection that is not there
EXPECTED = "no port answers questions of RFC 1413"


@facts("example-answer-answer")
@dataclass(frozen=True, kw_only=True)
class Answer:
    """The response, never a judgement.

    Attributes:
        reply: Device text, cut to size; "" where nothing came.
        recognised: The protocol is known; other checks ask that of the port.
    """

    reply: str
    recognised: bool


def read(reply: bytes) -> Answer:
    """Bytes to values; nothing is sent, so any bytes can be tried."""
    known = b": ERROR :" in reply or b": USERID :" in reply
    return Answer(reply=readable(reply).strip(), recognised=known)


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What a baseline may change: `expect: {example-answer: {tolerated: true}}`.

    Attributes:
        tolerated: Tell of the service without calling it a finding.
    """

    tolerated: bool = False


def judge(seen: DeviceView, expect: Settings) -> Iterator[Outcome]:
    """Strongest evidence first; what was not answered is judged by `off_tcp`."""
    found = [one for one in seen.of(Answer) if one.facts.recognised]
    for one in found:
        yield (note if expect.tolerated else fail)(one, "answers", EXPECTED)
    if not found:
        yield off_tcp(seen, EXPECTED, ports=(PORT,))


# One request and its reply. The handbook shows how a probe says more.
PROBE = question("example-answer", PORT, QUESTION, read, Answer)
CHECK = Check(
    id="example-answer",
    document=__doc__,
    reads=(TcpPort, Answer),
    judge=judge,
    settings=Settings,
    vectors={"": "AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:P"},
    controls=("CM-7",),
    remedy=Remedy(
        id="example-answer-off",
        title="Switch the service off",
        steps=("In the network or protocol settings, switch the service off.",),
        confirm="Scan again: example-answer shows pass.",
        needs_first="Nothing.",
        stops_working="Say what no longer works.",
        ask="Say who would notice.",
        undo="Switch the service on again in the same place.",
        lock_out="None: it is not how the settings are reached.",
    ),
)
