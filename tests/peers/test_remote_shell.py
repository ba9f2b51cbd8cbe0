"""The remote shell check against the BSD daemons, which close at once on a client whose port is not below 1024."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.cleartext_remote_shell import CHECK
from hardenprobe.facts import TcpPort
from hardenprobe.model import State
from hardenprobe.network import audit_hook
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes import tcp
from hardenprobe.scope.scope import Scope
from hardenprobe.testing import seen_device

pytestmark = [
    pytest.mark.peer,
    pytest.mark.slow,
    pytest.mark.skipif(os.geteuid() != 0, reason="only root may use a port below 1024, and give it up"),
]

NOBODY = 65534
DAEMONS = {513: "in.rlogind", 514: "in.rshd"}


@pytest.fixture(scope="module")
def daemons(each_connection: Callable[..., str]) -> dict[int, str]:
    return {port: each_connection(port, name, "rsh-redone-server") for port, name in DAEMONS.items()}


@contextmanager
def unprivileged() -> Iterator[None]:
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


def look(host: str, port: int, port_offset: int) -> Any:
    async def run() -> Any:
        line = DeviceLink(address=host, permit=Scope.loopback(), port_offset=port_offset)
        with audit_hook.watching():
            return (await tcp.look(line, port)).seen

    return asyncio.run(run())


@pytest.mark.parametrize("port", DAEMONS)
def test_from_a_port_below_1024_the_daemon_waits_for_us(
    port: int, daemons: dict[int, str], port_offset: int
) -> None:
    seen = look(daemons[port], port, port_offset)
    assert seen.facts == TcpPort(state=State.ACCEPTING, reserved=True)
    assert [str(o.word) for o in CHECK.judge(seen_device(seen), NoSettings())] == ["fail"]


@pytest.mark.parametrize("port", DAEMONS)
def test_from_another_port_it_closes_and_is_open_nevertheless(
    port: int, daemons: dict[int, str], port_offset: int
) -> None:
    with unprivileged():
        seen = look(daemons[port], port, port_offset)
    assert seen.facts == TcpPort(state=State.ACCEPTING, closed=True)
    (outcome,) = CHECK.judge(seen_device(seen), NoSettings())
    assert str(outcome.word) == "fail"
    assert "not identified" in outcome.observed.text
