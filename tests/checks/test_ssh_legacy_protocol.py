"""ssh-legacy-protocol: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.ssh_legacy_protocol import CHECK
from hardenprobe.facts import FtpSession, SshIdentification
from hardenprobe.model import Reach, Reason, State
from hardenprobe.testing import at, seen_device, tcp_port


def greets(protocol: str, comments: str = "", port: int = 22) -> Any:
    facts = SshIdentification(protocol=protocol, software="Console_1.99", comments=comments)
    return at(port, facts, protocol="ssh")


def found(*observations: Any) -> list[tuple[str, Reason | None, str]]:
    return [
        (str(o.word), o.reason, o.observed.text)
        for o in CHECK.judge(seen_device(*observations), NoSettings())
    ]


@pytest.mark.parametrize(
    ("protocol", "word"),
    [("1.3", "fail"), ("1.5", "fail"), ("1.99", "fail"), ("2.0", "pass"), ("3.0", "unknown")],
)
def test_the_version_decides(protocol: str, word: str) -> None:
    ((said, _, text),) = found(tcp_port(22, speaks="ssh"), greets(protocol))
    assert (said, f"SSH {protocol}" in text) == (word, True)


def test_old_versions_in_software_and_comments_mean_nothing() -> None:
    assert [f[0] for f in found(greets("2.0", "SSH-1.5 and 1.99"))] == ["pass"]


def test_a_greeting_on_any_port_is_enough() -> None:
    assert [f[0] for f in found(tcp_port(2323, speaks="ssh"), greets("1.99", port=2323))] == ["fail"]


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        ([tcp_port(22, State.REFUSING)], "notapplicable", None),
        ([tcp_port(22, State.SILENT)], "unknown", Reason.SILENT),
        ([tcp_port(22)], "unknown", Reason.INCONCLUSIVE),
        ([tcp_port(22, closed=True)], "unknown", Reason.DROPPED),
        ([tcp_port(22, speaks="ssh")], "unknown", Reason.INCONCLUSIVE),
        (
            [tcp_port(22, speaks="ftp"), at(22, FtpSession(greeting_code=220, greeting_text="220"))],
            "notapplicable",
            None,
        ),
        ([tcp_port(443)], "unknown", Reason.INCONCLUSIVE),
    ],
    ids=["refuses", "silent", "mute", "closes", "unreadable", "an FTP server on 22", "never answered"],
)
def test_without_an_identification_nothing_passes(
    observations: list[Any], word: str, reason: Reason | None
) -> None:
    assert [f[:2] for f in found(*observations)] == [(word, reason)]


def test_it_needs_no_more_than_a_look() -> None:
    assert CHECK.reach is Reach.LOOK
