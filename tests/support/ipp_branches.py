"""What every check of an IPP service must say of each answer to a request for its attributes, for tests."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import Check, NoSettings
from hardenprobe.facts import IppService
from hardenprobe.model import State
from hardenprobe.testing import at, seen_device, tcp_port

SERVICES = ("fax out", "scan", "system")

EACH_ANSWER = pytest.mark.parametrize(
    ("changes", "word"),
    [
        pytest.param({"itself": True}, "fail", id="it tells its attributes"),
        pytest.param({"itself": True, "status": 1}, "fail", id="some attributes were ignored"),
        pytest.param({}, "unknown", id="attributes of something else"),
        pytest.param({"http_status": 401, "status": None}, "pass", id="HTTP asks for credentials"),
        pytest.param({"status": 0x0402}, "pass", id="IPP asks for credentials"),
        pytest.param({"http_status": 404, "status": None}, "pass", id="HTTP has no such path"),
        pytest.param({"status": 0x0406}, "pass", id="IPP has no such service"),
        pytest.param({"status": 0x0501}, "pass", id="no such operation"),
        pytest.param({"status": 0x0500}, "unknown", id="an error of the server"),
        pytest.param({"http_status": 200, "status": None, "fault": "not IPP"}, "unknown", id="a page"),
        pytest.param({"http_status": 503, "status": None, "fault": "HTTP 503"}, "unknown", id="busy"),
        pytest.param({"http_status": None, "status": None, "fault": "silent"}, "unknown", id="silent"),
    ],
)


def answer(service: str, **changes: Any) -> Any:
    """The answer of a service."""
    plain: dict[str, Any] = {"tls": True, "path": "/ipp/one", "http_status": 200, "status": 0}
    return at(631, IppService(service=service, **plain | changes))


def word_for(check: Check[Any], service: str, changes: dict[str, Any]) -> str:
    """What a check says of an answer, while the other services are open."""
    others = [answer(other, itself=True) for other in SERVICES if other != service]
    (outcome,) = check.judge(seen_device(answer(service, **changes), *others), NoSettings())
    return str(outcome.word)


def word_without(check: Check[Any]) -> str:
    """What it says where 631/tcp refuses."""
    (outcome,) = check.judge(seen_device(tcp_port(631, State.REFUSING)), NoSettings())
    return str(outcome.word)
