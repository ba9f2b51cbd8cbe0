"""ssh-weak-key-exchange: each branch of its judge; the table itself is in tests/published."""

from __future__ import annotations

from typing import Any

import pytest
from support.ssh import STRICT, ssh_offer

from hardenprobe.checks.ssh_weak_key_exchange import CHECK
from hardenprobe.model import Reason, State
from hardenprobe.testing import seen_device, tcp_port

RULES = CHECK.settings(rules="rules-ssh-rfc9142")


def found(*observations: Any) -> list[tuple[str, str | None, str | None]]:
    return [(str(o.word), o.subject, o.vector) for o in CHECK.judge(seen_device(*observations), RULES)]


@pytest.mark.parametrize(
    ("method", "subject", "vector"),
    [
        ("diffie-hellman-group1-sha1", "group of 1024 bits with SHA-1", "weak"),
        ("diffie-hellman-group-exchange-sha1", "group exchange with SHA-1", "dated"),
        ("rsa1024-sha1", "RSA key transport of 1024 bits with SHA-1", "weak"),
        ("gss-group1-sha1-toWM5Slw5Ew8Mqkay+al2g==", "group of 1024 bits with SHA-1 under GSS", "weak"),
        ("gss-gex-sha1-toWM5Slw5Ew8Mqkay+al2g==", "SHA-1 under GSS", "dated"),
    ],
)
def test_each_weakness_is_a_subject(method: str, subject: str, vector: str) -> None:
    assert found(ssh_offer(key_exchanges=("curve25519-sha256", method))) == [("fail", subject, vector)]


def test_markers_are_no_methods_and_sha1_with_group_14_is_still_allowed() -> None:
    offered = ("diffie-hellman-group14-sha1", "ext-info-s", "ext-info-c", STRICT)
    assert found(ssh_offer(key_exchanges=offered)) == [("pass", None, None)]


def test_a_hybrid_that_no_rule_names_is_unrated_and_not_bad() -> None:
    offered = ("mlkem768x25519-sha256", "curve25519-sha256")
    assert found(ssh_offer(key_exchanges=offered)) == [
        ("informational", "unrated", None),
        ("pass", None, None),
    ]


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        ([tcp_port(22, State.REFUSING)], "notapplicable", None),
        ([tcp_port(22, State.SILENT)], "unknown", Reason.SILENT),
        ([tcp_port(22)], "unknown", Reason.INCONCLUSIVE),
        ([tcp_port(2323, speaks="ssh")], "unknown", Reason.INCONCLUSIVE),
        ([tcp_port(22), ssh_offer(speaks=False, fault="silent")], "unknown", Reason.SILENT),
        ([tcp_port(22), ssh_offer(speaks=True, fault="closed")], "unknown", Reason.DROPPED),
        ([tcp_port(22), ssh_offer(speaks=True, fault="protocol 1 only")], "unknown", Reason.INCONCLUSIVE),
        ([tcp_port(22), ssh_offer(speaks=False, fault="not SSH")], "unknown", Reason.INCONCLUSIVE),
        ([tcp_port(22, speaks="ssh"), ssh_offer(key_exchanges=())], "unknown", Reason.INCONCLUSIVE),
    ],
    ids=[
        "refuses",
        "silent",
        "mute",
        "SSH where it may not be spoken",
        "silent when asked",
        "closes when asked",
        "protocol 1",
        "something else",
        "an empty list",
    ],
)
def test_without_a_list_nothing_passes(observations: list[Any], word: str, reason: Reason | None) -> None:
    outcomes = list(CHECK.judge(seen_device(*observations), RULES))
    assert [(str(o.word), o.reason) for o in outcomes] == [(word, reason)]


def test_the_rule_set_is_named() -> None:
    (outcome,) = CHECK.judge(seen_device(ssh_offer()), RULES)
    assert outcome.rule_set and "RFC 9142" in outcome.rule_set.name and outcome.rule_set.date == "2022-01"
