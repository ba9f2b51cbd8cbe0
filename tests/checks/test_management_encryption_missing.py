"""management-encryption-missing: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.management_encryption_missing import CHECK
from hardenprobe.facts import HttpAnswer, TelnetGreeting, TlsPort
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, tcp_port


def page(
    port: int = 80, *, tls: bool = False, status: int | None = 200, protocol: str = "", **more: Any
) -> Any:
    facts = HttpAnswer(tls=tls, path="/", status=status, **more)
    return at(port, facts, protocol=protocol or ("https" if tls else "http"), path="/")


TELNET = at(23, TelnetGreeting(negotiates=True, text="login:", prompt="login:"), protocol="telnet")
IPPS = [page(631, tls=True, protocol="ipps"), at(631, TlsPort(speaks=True), protocol="tls")]


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([page()], Word.FAIL, None, id="a page"),
        pytest.param([page(status=401)], Word.FAIL, None, id="401"),
        pytest.param([page(status=403, form=True)], Word.FAIL, None, id="403 with a form"),
        pytest.param([TELNET], Word.FAIL, None, id="telnet"),
        pytest.param([at(23, TelnetGreeting(negotiates=True, text="", prompt=None))], Word.FAIL, None, id="options"),
        pytest.param([at(23, TelnetGreeting(negotiates=False, text="login:", prompt="login:"))], Word.FAIL, None,
                     id="a prompt without options"),
        pytest.param([page(), *IPPS], Word.FAIL, None, id="trap: TLS for printing alone"),
        pytest.param([page(), page(443, tls=True, status=403)], Word.PASS, None, id="https as well, not for us"),
        pytest.param([tcp_port(80), page(status=301, location="https://x/")], Word.PASS, None, id="redirect"),
        pytest.param([tcp_port(80), page(status=403)], Word.PASS, None, id="403"),
        pytest.param([tcp_port(80, State.REFUSING)], Word.PASS, None, id="nothing"),
        pytest.param([page(), tcp_port(443, State.SILENT)], Word.UNKNOWN, Reason.DROPPED, id="443 silent"),
        pytest.param([page(), tcp_port(443, closed=True)], Word.UNKNOWN, Reason.DROPPED, id="443 closes"),
        pytest.param([page(), at(443, TlsPort(speaks=False, fault="silent"))], Word.UNKNOWN, Reason.DROPPED,
                     id="443 silent to a hello"),
        pytest.param([page(), page(443, tls=True, status=None, fault="silent")], Word.UNKNOWN, Reason.DROPPED,
                     id="TLS and no page"),
        pytest.param([page(), tcp_port(443, State.REFUSING)], Word.FAIL, None, id="443 refuses"),
        pytest.param([tcp_port(80, State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="silent"),
    ],
)  # fmt: skip
def test_branch(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)
    assert outcome.endpoint is None


def test_it_names_what_administers() -> None:
    (outcome,) = CHECK.judge(seen_device(page(), TELNET), NoSettings())
    assert outcome.observed.value == ["HTTP", "telnet"]
