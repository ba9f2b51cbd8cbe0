"""What every check must say of a TCP service in clear that is known by its assigned port, for tests."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from hardenprobe.checking.check import Check, NoSettings
from hardenprobe.model import Reason, State, Word
from hardenprobe.testing import seen_device, tcp_port
from support.branches import Branch


def branches(port: int) -> dict[str, Branch]:
    """Every branch of a service whose port gives it away, by name."""
    accepts, silent = tcp_port(port), tcp_port(port, State.SILENT)
    other = tcp_port(port, greeting="SSH-2.0-x", speaks="ssh")
    return {
        "accepts": Branch(observations=(accepts,), word=Word.FAIL),
        "greets with nothing that is known": Branch(
            observations=(tcp_port(port, greeting="hello"),), word=Word.FAIL
        ),
        "greets in another protocol": Branch(observations=(other,), word=Word.PASS),
        "refuses": Branch(observations=(tcp_port(port, State.REFUSING),), word=Word.PASS),
        "accepts and closes": Branch(
            observations=(tcp_port(port, closed=True),), word=Word.UNKNOWN, reason=Reason.DROPPED
        ),
        "anything accepts": Branch(
            observations=(accepts, tcp_port(50000, control=True)), word=Word.UNKNOWN, reason=Reason.AMBIGUOUS
        ),
        "silent beside an answer": Branch(
            observations=(silent, tcp_port(80)), word=Word.PASS, reason=Reason.DROPPED
        ),
        "silent": Branch(observations=(silent,), word=Word.UNKNOWN, reason=Reason.SILENT),
        "not looked at": Branch(observations=(tcp_port(80),), word=Word.UNKNOWN, reason=Reason.INCONCLUSIVE),
    }


def each_port_is_named_for_its_service(check: Check[Any], services: Mapping[int, str]) -> None:
    """Assert that every accepting port is a finding that says what it is assigned to."""
    ports = [tcp_port(port) for port in services]
    outcomes = list(check.judge(seen_device(*ports, tcp_port(80)), NoSettings()))
    assert [o.proof for o in outcomes] == [(port.id,) for port in ports]
    for outcome, service in zip(outcomes, services.values(), strict=True):
        assert outcome.word is Word.FAIL
        assert f"assigned to {service}" in outcome.observed.text
