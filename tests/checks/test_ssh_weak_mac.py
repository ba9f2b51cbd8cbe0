"""ssh-weak-mac: each weakness, and what the baseline decides."""

from __future__ import annotations

from typing import Any

import pytest
from support.ssh import ssh_offer

from hardenprobe.checks.ssh_weak_mac import CHECK
from hardenprobe.model import State
from hardenprobe.testing import seen_device, tcp_port

STRICT = CHECK.settings(rules="rules-ssh-rfc9142", dated="fail")
LAX = CHECK.settings(rules="rules-ssh-rfc9142", dated="inform")


def found(settings: Any, **changes: Any) -> list[tuple[str, str | None, str | None]]:
    return [
        (str(o.word), o.subject, o.vector) for o in CHECK.judge(seen_device(ssh_offer(**changes)), settings)
    ]


@pytest.mark.parametrize(
    ("mac", "subject", "vector"),
    [
        ("none", "no MAC", "none"),
        ("hmac-md5", "MD5", "weak"),
        ("hmac-md5-96", "MD5", "weak"),
        ("hmac-md5-etm@openssh.com", "MD5", "weak"),
        ("hmac-md5-96-etm@openssh.com", "MD5", "weak"),
        ("hmac-sha1-96", "MAC of 96 bits", "weak"),
        ("hmac-sha1-96-etm@openssh.com", "MAC of 96 bits", "weak"),
    ],
)
def test_each_weakness_fails_whatever_the_baseline_says(mac: str, subject: str, vector: str) -> None:
    for settings in (STRICT, LAX):
        assert found(settings, macs=("hmac-sha2-256", mac)) == [("fail", subject, vector)]


@pytest.mark.parametrize("mac", ["hmac-sha1", "hmac-sha1-etm@openssh.com"])
def test_sha1_fails_only_if_the_baseline_says_so(mac: str) -> None:
    assert found(STRICT, macs=(mac,)) == [("fail", "SHA-1", "dated")]
    assert found(LAX, macs=(mac,)) == [("informational", "SHA-1", None), ("pass", None, None)]


@pytest.mark.parametrize("direction", ["macs_to_server", "macs_to_client"])
def test_one_direction_is_enough(direction: str) -> None:
    assert found(LAX, **{direction: ("hmac-md5",)}) == [("fail", "MD5", "weak")]


AUTHENTICATED = ("aes256-gcm@openssh.com", "chacha20-poly1305@openssh.com", "AEAD_AES_128_GCM")


def test_a_mac_that_no_offered_cipher_uses_is_no_weakness() -> None:
    """RFC 5647 section 5.1: the cipher authenticates, and the MAC is ignored or the same algorithm."""
    assert found(STRICT, ciphers=AUTHENTICATED, macs=("hmac-md5",)) == [("pass", None, None)]
    assert found(STRICT, ciphers=(*AUTHENTICATED, "aes128-ctr"), macs=("hmac-md5",)) == [
        ("fail", "MD5", "weak")
    ]


def test_current_macs_pass_and_unrated_ones_are_told_apart() -> None:
    assert found(STRICT, macs=("hmac-sha2-256", "hmac-sha2-512-etm@openssh.com")) == [("pass", None, None)]
    assert found(STRICT, macs=("umac-128@openssh.com",))[0] == ("informational", "unrated", None)


def test_without_ssh_it_does_not_apply() -> None:
    (outcome,) = CHECK.judge(seen_device(tcp_port(22, State.REFUSING)), STRICT)
    assert str(outcome.word) == "notapplicable"
