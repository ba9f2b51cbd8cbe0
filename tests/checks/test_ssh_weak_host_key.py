"""ssh-weak-host-key: names from the list, length from the key."""

from __future__ import annotations

from typing import Any

import pytest
from support.ssh import ssh_host_key, ssh_offer

from hardenprobe.checks.ssh_weak_host_key import CHECK
from hardenprobe.model import Reason, State
from hardenprobe.testing import seen_device, tcp_port

RULES = CHECK.settings(rules="rules-ssh-rfc9142")
ALL_RSA = ("rsa-sha2-512", "rsa-sha2-256", "ssh-rsa")


def found(*observations: Any) -> list[tuple[str, str | None, str | None]]:
    return [(str(o.word), o.subject, o.vector) for o in CHECK.judge(seen_device(*observations), RULES)]


def rsa(bits: int | None, **changes: Any) -> Any:
    return ssh_host_key("ssh-rsa", bits=bits, **changes)


def test_dsa_fails_by_its_name() -> None:
    assert found(ssh_offer(host_keys=("ssh-ed25519", "ssh-dss"))) == [("fail", "DSA", "weak")]


def test_rsa_with_sha1_only_fails() -> None:
    assert found(ssh_offer(host_keys=("ssh-rsa",)), rsa(2048)) == [("fail", "SHA-1 signatures only", "dated")]


@pytest.mark.parametrize("beside", [("rsa-sha2-256",), ("rsa-sha2-512",), ALL_RSA])
def test_ssh_rsa_beside_a_better_signature_is_the_same_key_and_passes(beside: tuple[str, ...]) -> None:
    assert found(ssh_offer(host_keys=("ssh-rsa", *beside)), rsa(3072)) == [("pass", None, None)]


@pytest.mark.parametrize(("bits", "word"), [(768, "fail"), (2047, "fail"), (2048, "pass")])
def test_the_length_is_that_of_the_key(bits: int, word: str) -> None:
    ((said, subject, _),) = found(ssh_offer(host_keys=ALL_RSA), rsa(bits))
    assert (said, subject) == (word, "RSA below 2048 bits" if word == "fail" else None)


def test_a_short_key_counts_even_where_it_is_not_proven() -> None:
    assert found(ssh_offer(host_keys=ALL_RSA), rsa(1024, proven=False, fault="wrong"))[0][0] == "fail"


@pytest.mark.parametrize(
    ("fault", "reason"), [("closed", Reason.DROPPED), ("silent", Reason.SILENT), ("odd", Reason.INCONCLUSIVE)]
)
def test_a_key_that_did_not_come_is_unknown_and_keeps_it_from_passing(fault: str, reason: Reason) -> None:
    key = rsa(None, sha256=None, proven=False, fault=fault)
    (outcome,) = CHECK.judge(seen_device(ssh_offer(host_keys=ALL_RSA), key), RULES)
    assert (str(outcome.word), outcome.reason) == ("unknown", reason)


def test_a_key_that_was_not_asked_for_is_unknown() -> None:
    assert [w for w, *_ in found(ssh_offer(host_keys=("rsa-sha2-256",)))] == ["unknown"]


def test_an_elliptic_key_needs_no_more_than_its_name_and_an_unrated_one_is_told_apart() -> None:
    assert found(ssh_offer()) == [("pass", None, None)]
    assert found(ssh_offer(host_keys=("ssh-ed25519", "future@example.com")))[0] == (
        "informational",
        "unrated",
        None,
    )


def test_without_ssh_or_without_a_list_nothing_passes() -> None:
    assert found(tcp_port(80, State.REFUSING)) == [("notapplicable", None, None)]
    assert found(ssh_offer(host_keys=())) == [("unknown", None, None)]
