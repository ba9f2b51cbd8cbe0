"""ssh-prefix-truncation: vulnerable modes, with and without the marker."""

from __future__ import annotations

from typing import Any

import pytest
from support.ssh import STRICT, ssh_offer

from hardenprobe.checks.ssh_prefix_truncation import CHECK
from hardenprobe.model import State
from hardenprobe.testing import seen_device, tcp_port

RULES = CHECK.settings(rules="rules-ssh-rfc9142")
CHACHA = "chacha20-poly1305@openssh.com"
THEN_MAC = "hmac-sha2-256-etm@openssh.com"
PLAIN = ("curve25519-sha256",)


def found(**changes: Any) -> list[str]:
    return [str(o.word) for o in CHECK.judge(seen_device(ssh_offer(**changes)), RULES)]


@pytest.mark.parametrize(
    ("ciphers", "macs", "word"),
    [
        ((CHACHA, "aes128-ctr"), ("hmac-sha2-256",), "fail"),
        (("aes128-cbc",), (THEN_MAC,), "fail"),
        (("aes128-cbc",), ("hmac-sha2-256",), "pass"),
        (("aes128-ctr",), (THEN_MAC,), "pass"),
        (("aes128-gcm@openssh.com",), (THEN_MAC,), "pass"),
    ],
    ids=["chacha20", "CBC then MAC", "CBC and MAC", "CTR then MAC", "GCM"],
)
def test_only_vulnerable_modes_without_the_marker_fail(
    ciphers: tuple[str, ...], macs: tuple[str, ...], word: str
) -> None:
    assert found(key_exchanges=PLAIN, ciphers=ciphers, macs=macs) == [word]
    assert found(key_exchanges=(*PLAIN, STRICT), ciphers=ciphers, macs=macs) == ["pass"]


def test_the_client_s_marker_in_a_server_s_list_does_not_count() -> None:
    assert found(key_exchanges=(*PLAIN, "kex-strict-c-v00@openssh.com"), ciphers=(CHACHA,)) == ["fail"]


def test_cipher_and_mac_count_together_only_in_one_direction() -> None:
    apart = {"ciphers_to_server": ("aes128-cbc",), "macs_to_client": (THEN_MAC,)}
    assert found(key_exchanges=PLAIN, **apart) == ["pass"]
    assert found(key_exchanges=PLAIN, **apart, ciphers_to_client=("aes256-cbc",)) == ["fail"]


def test_without_a_list_nothing_passes() -> None:
    assert found(fault="closed") == ["unknown"]
    assert [str(o.word) for o in CHECK.judge(seen_device(tcp_port(80)), RULES)] == ["unknown"]
    refused = seen_device(tcp_port(80, State.REFUSING))
    assert [str(o.word) for o in CHECK.judge(refused, RULES)] == ["notapplicable"]
