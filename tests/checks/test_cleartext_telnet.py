"""cleartext-telnet: each branch of its judge."""

from __future__ import annotations

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.cleartext_telnet import CHECK
from hardenprobe.facts import HttpAnswer, SmbNegotiation, TelnetGreeting, WebServices
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, tcp_port

NEGOTIATES = TelnetGreeting(negotiates=True, text="", prompt=None)
PROMPTS = TelnetGreeting(negotiates=False, text="login:", prompt="login:")
HTTP = HttpAnswer(tls=False, path="/", status=200)


def telnet(facts: TelnetGreeting, port: int = 23) -> Observation[TelnetGreeting]:
    return at(port, facts, protocol="telnet")


def test_a_port_of_sessions_or_web_services_is_known_for_what_it_is() -> None:
    """An open 139 or 5357 left every device with file sharing unknown."""
    known = (
        at(139, SmbNegotiation(asked="2", answered=False, session="negative"), protocol="smb"),
        at(5357, WebServices(status=404), protocol="http"),
    )
    ports = (tcp_port(139), tcp_port(5357), tcp_port(23, State.REFUSING))

    assert [o.word for o in CHECK.judge(seen_device(*ports, *known), NoSettings())] == [Word.PASS]
    assert [o.word for o in CHECK.judge(seen_device(*ports), NoSettings())] == [Word.UNKNOWN]


@pytest.mark.parametrize(
    ("observations", "word", "reason", "says"),
    [
        pytest.param([telnet(NEGOTIATES)], Word.FAIL, None, "negotiates", id="RFC 854 negotiation"),
        pytest.param([telnet(PROMPTS)], Word.FAIL, None, "prompts 'login:'", id="a login prompt"),
        pytest.param([telnet(PROMPTS, 2323)], Word.FAIL, None, "prompts", id="a telnet server on 2323"),
        pytest.param([tcp_port(23, State.REFUSING)], Word.PASS, None, "off on 23/tcp", id="reset"),
        pytest.param(
            [tcp_port(23), at(23, HTTP, protocol="http")], Word.PASS, None, "not on", id="a web server on 23"
        ),
        pytest.param(
            [tcp_port(23)], Word.UNKNOWN, Reason.INCONCLUSIVE, "not recognised", id="protocol not recognised"
        ),
        pytest.param(
            [tcp_port(23, closed=True)], Word.UNKNOWN, Reason.DROPPED, "closes", id="accepts and closes"
        ),
        pytest.param(
            [tcp_port(23, State.SILENT), tcp_port(80, State.REFUSING)],
            Word.PASS,
            Reason.DROPPED,
            "from vantage point office only",
            id="silent while another port answers",
        ),
        pytest.param(
            [tcp_port(23, State.SILENT)], Word.UNKNOWN, Reason.SILENT, "silent", id="device not proven alive"
        ),
        pytest.param([], Word.UNKNOWN, Reason.INCONCLUSIVE, "no port was looked at", id="nothing looked at"),
    ],
)
def test_branch(
    observations: list[Observation[object]], word: Word, reason: Reason | None, says: str
) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)
    assert says in outcome.observed.text


def test_every_port_that_speaks_telnet_is_a_finding_with_its_proof() -> None:
    both = telnet(PROMPTS), telnet(NEGOTIATES, 2323)
    outcomes = list(CHECK.judge(seen_device(*both, tcp_port(80, State.REFUSING)), NoSettings()))
    assert [(o.word, o.proof, o.endpoint) for o in outcomes] == [
        (Word.FAIL, (o.id,), o.endpoint) for o in both
    ]
