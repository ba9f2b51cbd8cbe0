"""One question in one datagram, once: what the discovery protocols have in common, to a device or to its link's group."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import Datagram
from hardenprobe.model import Observation, State
from hardenprobe.model.transcript import Recorder
from hardenprobe.network.link import Answer, DeviceLink

D = TypeVar("D", bound=Datagram)

WAIT = 0.5  # seconds; most devices never answer, and they are asked many questions one after the other


async def ask(
    line: DeviceLink,
    make: Callable[..., D],
    port: int,
    protocol: str,
    question: str,
    datagram: bytes,
    read: Callable[[bytes], str],
    *,
    wait: float = WAIT,
    **how: Any,
) -> tuple[Observation[D], Answer]:
    """Ask once, and wait.

    Args:
        make: The kind of facts; `how` may hold more arguments for `DeviceLink.ask`.
        question: What is asked, in words.
        read: Says what a reply says; raises MalformedReply where it is none to this question.
        wait: Seconds, longer where the protocol lets a reply take its time.

    Raises:
        ScopeRefused, CeilingReached: As for `DeviceLink.ask`.
    """
    answer = await line.ask(port, datagram, tries=1, wait=wait, **how)
    says = fault = None
    if answer.state == State.ACCEPTING:
        try:
            says = read(answer.data)
        except MalformedReply as exc:
            fault = str(exc)
    facts = make(
        question=question,
        state=State(answer.state),
        says=says,
        sent=len(datagram),
        received=len(answer.data),
        fault=fault,
    )
    return line.observation(facts, line.endpoint(port, "udp", protocol), answer.recorder), answer


@dataclass(frozen=True, kw_only=True)
class Question:
    """One question as it is sent.

    Attributes:
        words: What is asked.
        read: Says what a reply says; raises MalformedReply where it is none to this question.
        hide: Makes of a reply what the transcript may keep.
    """

    words: str
    message: bytes
    read: Callable[[bytes], str]
    hide: Callable[[bytes], bytes] = bytes


@dataclass(frozen=True, kw_only=True)
class GroupQuestion:
    """What a service is asked at its multicast group, once for a whole link.

    Attributes:
        service: As endpoints call it.
        groups: The IPv4 group and the link-local IPv6 group, "" where there is none for the question.
        make: Writes the question to a group, with numbers of its own; None where each device must be asked by its own name.
        wait: Seconds after each sending.
    """

    service: str
    facts: type[Datagram]
    port: int
    groups: tuple[str, str]
    make: Callable[[str], Question] | None = None
    wait: float = 2 * WAIT


def read_reply(
    line: DeviceLink, asked: GroupQuestion, group: str, question: Question, reply: bytes | None
) -> Observation[Any]:
    """The observation that a question to a group makes of one device of the link.

    Args:
        reply: What the device sent, None for nothing.
    """
    recorder = Recorder()
    recorder.note("sent", question.message)
    says = fault = None
    if reply is not None:
        recorder.note("received", question.hide(reply))
        try:
            says = question.read(reply)
        except MalformedReply as exc:
            fault = str(exc)
    facts = asked.facts(
        question=f"{question.words}, of the group {group}",
        state=State.SILENT if reply is None else State.ACCEPTING,
        says=says,
        sent=len(question.message),
        received=len(reply or b""),
        group=True,
        fault=fault,
    )
    return line.observation(facts, line.endpoint(asked.port, "udp", asked.service), recorder)
