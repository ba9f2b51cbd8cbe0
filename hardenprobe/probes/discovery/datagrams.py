"""One question in one datagram, once: what the discovery protocols have in common. Unicast only."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import Datagram
from hardenprobe.model import Observation, State
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
