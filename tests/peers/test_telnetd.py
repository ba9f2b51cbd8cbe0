"""The telnet check, against GNU inetutils' telnet daemon."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from hardenprobe.facts import TelnetGreeting
from hardenprobe.model import Review

pytestmark = [pytest.mark.peer, pytest.mark.slow]


@pytest.fixture(scope="module")
def daemons(telnetd: Callable[..., str]) -> dict[int, str]:
    """Daemons by port."""
    return {port: telnetd(port) for port in (23, 2323)}


@pytest.fixture(scope="module")
def review(daemons: dict[int, str], scan: Callable[..., Review]) -> Review:
    return scan(*daemons.values())


@pytest.mark.parametrize("port", [23, 2323])
def test_a_telnet_daemon_fails_wherever_it_lives(
    port: int, daemons: Any, review: Review, said: Any, failing: Any
) -> None:
    host = daemons[port]

    assert said(review, host, "cleartext-telnet") == {(f"tcp/{port}", None, "fail")}
    assert failing(review, host) == {("cleartext-telnet", f"tcp/{port}")}
    assert said(review, host, "unexpected-service") == {(f"tcp/{port}", None, "informational")}


def test_its_negotiation_is_the_proof_and_nothing_is_answered(daemons: Any, review: Review) -> None:
    greetings = [
        seen
        for device in review.observations.values()
        for seen in device
        if isinstance(seen.facts, TelnetGreeting)
    ]

    assert {seen.endpoint.port for seen in greetings if seen.endpoint} == set(daemons)
    for seen in greetings:
        assert seen.facts.negotiates
        assert {piece.direction for piece in seen.transcript} == {"received"}
        # IAC DO TERMINAL-TYPE, RFC 1091: the daemon asks, and waits for an answer.
        assert b"\xff\xfd\x18" in bytes.fromhex(seen.transcript[0].hex)
