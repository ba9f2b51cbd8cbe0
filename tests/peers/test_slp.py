"""The check of the service location protocol, against the agent of a library that nobody here wrote."""

from __future__ import annotations

import socket
import sys
from typing import Any

import pytest
from pyslp import creator, parse

from hardenprobe.model import Review

pytestmark = [pytest.mark.peer, pytest.mark.slow]

AGENT = """
import asyncio, sys
asyncio.coroutine = lambda function: function  # the library is older than its removal; nothing marked by it is used
from pyslp.slpd import Receiver, SLPDServer

async def main(host, port):
    server = SLPDServer()
    server.services[host], server.url_entries[host], server.lifetime[host] = {}, {}, {}
    await asyncio.get_running_loop().create_datagram_endpoint(lambda: Receiver(server, host), (host, port))
    await asyncio.Event().wait()

asyncio.run(main(sys.argv[1], int(sys.argv[2])))
"""
PRINTER = "service:printer:lpr://device01.devices.example/lp"


def acknowledged(host: str, port: int, registration: bytes) -> bool:
    """Register a service, and tell whether the agent has taken it (RFC 2608 section 8.3: error 0)."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.settimeout(0.2)
        sock.sendto(registration, (host, port))
        try:
            header, error = parse.parse_acknowledge(sock.recv(2048))
        except OSError:
            return False
    return bool(header["function_id"] == 5 and error == 0)


@pytest.fixture(scope="module")
def agents(address: Any, folder: Any, start: Any, port_offset: int) -> dict[str, str]:
    """A directory agent for each set of registered services."""
    hosts = {}
    for name, registered in {
        "a printer": ("service:printer", PRINTER),
        "something else": ("service:scanner", "service:scanner:ftp://device01.devices.example/"),
    }.items():
        host = hosts[name] = address()
        register = creator.create_registration(registered[0], "DEFAULT", "", 65535, registered[1])
        start(
            (sys.executable, "-c", AGENT, host, str(427 + port_offset)),
            folder("slp"),
            ready=lambda host=host, register=register: acknowledged(host, 427 + port_offset, register),
        )
    return hosts


@pytest.fixture(scope="module")
def review(agents: dict[str, str], scan: Any) -> Review:
    review: Review = scan(*agents.values())
    return review


@pytest.mark.parametrize(("agent", "text"), [("a printer", PRINTER), ("something else", "no service")])
def test_an_agent_is_found_by_its_reply_whatever_it_holds(
    agent: str, text: str, agents: dict[str, str], review: Review, said: Any
) -> None:
    assert said(review, agents[agent], "discovery-slp") == {("udp/427", None, "fail")}
    (told,) = (
        r.observed.text
        for r in review.results
        if r.check == "discovery-slp" and r.endpoint and r.endpoint.address == agents[agent]
    )
    assert told == f"the service location protocol is answered: {text}"
