"""ssh-weak-cipher: each weakness, each direction, and what the baseline decides."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.ssh import ssh_offer

from hardenprobe.checks.ssh_weak_cipher import CHECK
from hardenprobe.model import State
from hardenprobe.standards.ssh_rules import load
from hardenprobe.testing import seen_device, tcp_port

STRICT = CHECK.settings(rules="rules-ssh-rfc9142", dated="fail")
LAX = CHECK.settings(rules="rules-ssh-rfc9142", dated="inform")


def found(settings: Any, **changes: Any) -> list[tuple[str, str | None, str | None]]:
    return [
        (str(o.word), o.subject, o.vector) for o in CHECK.judge(seen_device(ssh_offer(**changes)), settings)
    ]


@pytest.mark.parametrize(
    ("cipher", "subject", "vector"),
    [
        ("none", "no encryption", "none"),
        ("arcfour", "RC4", "weak"),
        ("arcfour128", "RC4", "weak"),
        ("arcfour256", "RC4", "weak"),
        ("des-cbc", "DES or 3DES", "weak"),
        ("3des-cbc", "DES or 3DES", "weak"),
        ("blowfish-cbc", "block of 64 bits", "weak"),
        ("cast128-cbc", "block of 64 bits", "weak"),
        ("aes256-cbc", "CBC", "dated"),
        ("rijndael-cbc@lysator.liu.se", "CBC", "dated"),
    ],
)
def test_each_weakness_is_a_subject(cipher: str, subject: str, vector: str) -> None:
    assert found(STRICT, ciphers=("aes128-ctr", cipher)) == [("fail", subject, vector)]


@pytest.mark.parametrize("direction", ["ciphers_to_server", "ciphers_to_client"])
def test_one_direction_is_enough(direction: str) -> None:
    assert found(STRICT, **{direction: ("arcfour",)}) == [("fail", "RC4", "weak")]


def test_cbc_fails_only_if_the_baseline_says_so_and_the_rest_always() -> None:
    assert found(LAX, ciphers=("aes128-cbc",)) == [("informational", "CBC", None), ("pass", None, None)]
    assert found(LAX, ciphers=("3des-cbc",)) == [("fail", "DES or 3DES", "weak")]


def test_compression_none_is_no_cipher() -> None:
    assert found(STRICT, compressions_to_server=("none",)) == [("pass", None, None)]


def test_an_unheard_of_cipher_is_told_apart() -> None:
    assert found(STRICT, ciphers=("aes128-ctr", "future@example.com")) == [
        ("informational", "unrated", None),
        ("pass", None, None),
    ]


def test_without_ssh_it_does_not_apply() -> None:
    (outcome,) = CHECK.judge(seen_device(tcp_port(22, State.REFUSING)), STRICT)
    assert str(outcome.word) == "notapplicable"


known = st.sampled_from(["none", "arcfour", "3des-cbc", "aes128-cbc", "aes128-ctr", "aes128-gcm@openssh.com"])
names = st.lists(known | st.text("abc19@.-", min_size=1, max_size=12), min_size=1, max_size=8, unique=True)


@given(names)
def test_every_name_is_rated_once_or_not_at_all(offered: list[str]) -> None:
    rules = load("rules-ssh-rfc9142")
    weak, unrated = rules.rate(rules.ciphers, offered)
    told = [name for _, found in weak for name in found] + unrated
    assert len(told) == len(set(told))
    assert set(told) <= set(offered)
    words = [o[0] for o in found(STRICT, ciphers=tuple(offered))]
    assert ("fail" in words) == bool(weak)
    assert ("pass" in words) == (not weak)
