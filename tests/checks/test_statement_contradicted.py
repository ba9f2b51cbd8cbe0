"""statement-contradicted: what fails, what agrees, and what proves neither."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checking.views.attestations import BEARING
from hardenprobe.checks.statement_contradicted import CHECK
from hardenprobe.facts import (
    FtpSession,
    HttpAnswer,
    IppJobs,
    RfbSecurity,
    ServiceUsed,
    SettingsPageAnswer,
    StatementMade,
    TelnetGreeting,
    TftpAnswer,
)
from hardenprobe.model import Reason, State, Word
from hardenprobe.standards import controls
from hardenprobe.testing import at, declared, seen_device, snmp_answer, tcp_port

PASSWORD, COMMUNITIES = "administrator-password-set", "snmp-communities-changed"
CLEARTEXT, MANAGED = "cleartext-protocols-off", "management-encrypted"
JOBS, PANEL = "job-names-private", "panel-over-network-limited"


def claim(control: str, answer: str = "yes", statement: str = "S-1") -> Any:
    return declared(
        StatementMade(
            statement=statement,
            control=control,
            answer=answer,
            by="Imke Sandvoort",
            made="2026-11-01",
            until="2027-11-01",
            about="the whole fleet",
        )
    )


def settings_page(status: int | None, **more: Any) -> Any:
    return at(
        443, SettingsPageAnswer(tls=True, path="/settings", marker="<h1>Settings", status=status, **more)
    )


def page(port: int = 80, **more: Any) -> Any:
    return at(port, HttpAnswer(**{"tls": False, "path": "/", "status": 200, **more}), protocol="http")


def jobs(**more: Any) -> Any:
    return at(631, IppJobs(tls=True, path="/ipp/print", which="completed", **{"http_status": 200, **more}))


def tftp(state: State) -> Any:
    return at(69, TftpAnswer(question="read", state=state), transport="udp")


TELNET = at(23, TelnetGreeting(negotiates=True, text="", prompt=None))
OFF = (tcp_port(21, State.REFUSING), tcp_port(23, State.REFUSING))
FTP = at(21, FtpSession(greeting_code=220, greeting_text="ready"))


@pytest.mark.parametrize(
    ("control", "observations", "word"),
    [
        # failing
        pytest.param(PASSWORD, [settings_page(200, marker_found=True)], Word.FAIL, id="settings are open"),
        pytest.param(COMMUNITIES, [snmp_answer()], Word.FAIL, id="a default community is answered"),
        pytest.param(COMMUNITIES, [snmp_answer(community="control", origin="control")], Word.FAIL, id="any community"),
        pytest.param(CLEARTEXT, [TELNET], Word.FAIL, id="telnet"),
        pytest.param(CLEARTEXT, [*OFF, tftp(State.ACCEPTING)], Word.FAIL, id="TFTP although the others are off"),
        pytest.param(CLEARTEXT, [FTP], Word.FAIL, id="FTP"),
        pytest.param(MANAGED, [page(password_field=True)], Word.FAIL, id="a password over HTTP"),
        pytest.param(MANAGED, [page(status=401)], Word.FAIL, id="401 over HTTP"),
        pytest.param(MANAGED, [TELNET], Word.FAIL, id="managed by telnet"),
        pytest.param(JOBS, [jobs(jobs=1, names=1)], Word.FAIL, id="a job's name"),
        pytest.param(PANEL, [at(5900, RfbSecurity(version="3.8", types=(2, 1)))], Word.FAIL, id="an open screen"),
        # passing
        pytest.param(PASSWORD, [settings_page(401)], Word.PASS, id="settings ask"),
        pytest.param(PASSWORD, [settings_page(200, password_field=True)], Word.PASS, id="a sign-in form"),
        pytest.param(COMMUNITIES, [snmp_answer(state=State.REFUSING)], Word.PASS, id="no agent"),
        pytest.param(CLEARTEXT, [*OFF, tftp(State.REFUSING)], Word.PASS, id="all three refuse"),
        pytest.param(MANAGED, [page(status=301, location="https://127.0.9.10/")], Word.PASS, id="to https"),
        pytest.param(JOBS, [jobs(jobs=1)], Word.PASS, id="jobs without names"),
        pytest.param(PANEL, [at(5900, RfbSecurity(version="3.8", types=(2,)))], Word.PASS, id="a guarded screen"),
        # traps
        pytest.param(PASSWORD, [settings_page(200, marker_found=True, password_field=True)], Word.UNKNOWN, id="both"),
        pytest.param(PASSWORD, [settings_page(404, marker_found=True)], Word.UNKNOWN, id="a marker in an error page"),
        pytest.param(PASSWORD, [settings_page(None)], Word.UNKNOWN, id="no HTTP"),
        pytest.param(COMMUNITIES, [snmp_answer(state=State.SILENT)], Word.UNKNOWN, id="silence"),
        pytest.param(COMMUNITIES, [snmp_answer(community="fleet", origin="supplied")], Word.UNKNOWN, id="the fleet's own"),
        pytest.param(CLEARTEXT, [*OFF, tftp(State.SILENT)], Word.UNKNOWN, id="TFTP is silent"),
        pytest.param(CLEARTEXT, [at(21, FtpSession(greeting_code=421, greeting_text="no"))], Word.UNKNOWN, id="FTP turns away"),
        pytest.param(MANAGED, [page(tls=True, password_field=True)], Word.UNKNOWN, id="a password over https"),
        pytest.param(MANAGED, [page()], Word.UNKNOWN, id="a page that asks nothing"),
        pytest.param(JOBS, [jobs()], Word.UNKNOWN, id="no job is listed"),
        pytest.param(PANEL, [at(5900, RfbSecurity(version="3.8"))], Word.UNKNOWN, id="turned away"),
        pytest.param(PASSWORD, [], Word.UNKNOWN, id="nothing was seen"),
    ],
)  # fmt: skip
def test_yes(control: str, observations: list[Any], word: Word) -> None:
    said = claim(control)
    (outcome,) = CHECK.judge(seen_device(said, *observations), NoSettings())
    assert outcome.word is word
    assert outcome.subject == control
    assert outcome.proof[0] == said.id
    assert (len(outcome.proof) > 1) is (word is not Word.UNKNOWN), "a verdict names what was seen"
    assert (outcome.reason is Reason.INCONCLUSIVE) is (word is Word.UNKNOWN)
    assert "Imke Sandvoort" in outcome.observed.text and "S-1" in outcome.observed.text


def use(transport: Any, port: int, last: str) -> Any:
    facts = ServiceUsed(
        transport=transport, port=port, clients=2, conversations=31, first="2026-10-01T08:00:00Z", last=last,
        places=("the print server",),
    )  # fmt: skip
    return declared(facts)


@pytest.mark.parametrize(
    ("control", "seen", "word"),
    [
        pytest.param(CLEARTEXT, use("tcp", 23, "2026-11-24T16:30:00Z"), Word.FAIL, id="Telnet, after it was said"),
        pytest.param(CLEARTEXT, use("udp", 69, "2026-11-24T16:30:00Z"), Word.FAIL, id="TFTP"),
        pytest.param("unencrypted-printing-unused", use("tcp", 515, "2026-11-24T16:30:00Z"), Word.FAIL, id="LPD"),
        pytest.param(CLEARTEXT, use("tcp", 23, "2026-11-01T16:30:00Z"), Word.UNKNOWN, id="on the same day, before or after"),
        pytest.param(CLEARTEXT, use("tcp", 515, "2026-11-24T16:30:00Z"), Word.UNKNOWN, id="another service"),
        pytest.param(MANAGED, use("tcp", 23, "2026-11-24T16:30:00Z"), Word.UNKNOWN, id="no statement on use"),
        pytest.param("unencrypted-printing-unused", tcp_port(515), Word.UNKNOWN, id="open, and nobody seen"),
    ],
)  # fmt: skip
def test_use_contradicts_what_is_said_to_be_off_or_unused(control: str, seen: Any, word: Word) -> None:
    (outcome,) = CHECK.judge(seen_device(claim(control), seen), NoSettings())

    assert outcome.word is word
    if word is Word.FAIL:
        assert "was used by 2 clients, last on 2026-11-24 (the print server)" in outcome.observed.text
        assert outcome.proof == (claim(control).id, seen.id)


@pytest.mark.parametrize("answer", ["no", "partly"])
def test_who_owns_up_is_not_contradicted(answer: str) -> None:
    (outcome,) = CHECK.judge(seen_device(claim(CLEARTEXT, answer), TELNET), NoSettings())
    assert outcome.word is Word.NOTAPPLICABLE


def test_not_applicable_is_a_claim_too() -> None:
    (outcome,) = CHECK.judge(seen_device(claim(CLEARTEXT, "not applicable"), TELNET), NoSettings())
    assert outcome.word is Word.FAIL


@pytest.mark.parametrize("statements", [[], [claim("stored-data-encrypted")]], ids=["none", "nothing to see"])
def test_what_no_scan_can_see_is_not_applicable(statements: list[Any]) -> None:
    (outcome,) = CHECK.judge(seen_device(*statements, TELNET), NoSettings())
    assert outcome.word is Word.NOTAPPLICABLE


def test_each_place_that_speaks_against_it_is_a_finding() -> None:
    seen = seen_device(claim(CLEARTEXT), TELNET, FTP, tcp_port(80))
    found = list(CHECK.judge(seen, NoSettings()))
    assert [o.word for o in found] == [Word.FAIL] * 2
    assert [o.endpoint and o.endpoint.port for o in found] == [23, 21]


def test_two_statements_are_two_results() -> None:
    seen = seen_device(claim(CLEARTEXT), claim(PASSWORD, statement="S-2"), TELNET, settings_page(401))
    found = {o.subject: o.word for o in CHECK.judge(seen, NoSettings())}
    assert found == {CLEARTEXT: Word.FAIL, PASSWORD: Word.PASS}


def test_what_can_be_contradicted_is_asked_of_people() -> None:
    assert set(BEARING) <= set(controls.shipped())
