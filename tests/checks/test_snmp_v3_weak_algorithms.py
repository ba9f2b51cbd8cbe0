"""snmp-v3-weak-algorithms: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checks.snmp_v3_weak_algorithms import CHECK, Settings
from hardenprobe.facts import SnmpUser
from hardenprobe.model import Observation, Word
from hardenprobe.testing import at, seen_device

EXPECT = Settings(weak_auth=("MD5",), weak_priv=("DES",), dated_auth=("SHA-1",))


def user(
    *, auth: str | None = "SHA-256", priv: str | None = "AES-128", withheld: str | None = None, **levels: str
) -> Observation[Any]:
    facts = SnmpUser(name="reader", auth=auth, priv=priv, levels=levels, withheld=withheld)
    return at(161, facts, transport="udp", protocol="snmp")


@pytest.mark.parametrize(
    ("observation", "failing", "word"),
    [
        pytest.param(user(authPriv="served"), [], Word.PASS, id="a strong pair"),
        pytest.param(
            user(auth="MD5", priv="DES", authPriv="served"), ["MD5", "DES"], Word.FAIL, id="both weak"
        ),
        # Served without privacy, the cipher was not used, so it proves nothing of it.
        pytest.param(user(priv="DES", authNoPriv="served"), [], Word.PASS, id="weak cipher, not used"),
        pytest.param(user(auth="MD5", noAuthNoPriv="served"), [], Word.UNKNOWN, id="nothing was used"),
        pytest.param(user(auth="MD5", authPriv="denied"), [], Word.UNKNOWN, id="not served"),
        pytest.param(user(auth="MD5", withheld="not confirmed"), [], Word.UNKNOWN, id="withheld"),
    ],
)
def test_branch(observation: Observation[Any], failing: list[str], word: Word) -> None:
    outcomes = list(CHECK.judge(seen_device(observation), EXPECT))
    assert {o.word for o in outcomes} == {word}
    assert [o.observed.value for o in outcomes if o.word is Word.FAIL] == failing


def test_sha_1_informs_and_does_not_fail() -> None:
    """NIST SP 800-131A Rev. 2 table 9 judges HMAC by the length of its key alone."""
    seen = seen_device(user(auth="SHA-1", authPriv="served"))
    assert [(o.word, o.observed.value) for o in CHECK.judge(seen, EXPECT)] == [
        (Word.PASS, "SHA-1/AES-128"),
        (Word.INFORMATIONAL, "SHA-1"),
    ]
    unused = seen_device(user(auth="SHA-1", noAuthNoPriv="served"))
    assert [o.word for o in CHECK.judge(unused, EXPECT)] == [Word.UNKNOWN]


def test_without_a_user_it_cannot_be_told() -> None:
    (outcome,) = CHECK.judge(seen_device(), EXPECT)
    assert outcome.word is Word.UNKNOWN


def test_every_algorithm_that_a_baseline_may_call_weak_has_a_vector() -> None:
    from hardenprobe.devices.credentials import AUTH, PRIV

    assert set(CHECK.vectors) >= {*AUTH, *PRIV}
