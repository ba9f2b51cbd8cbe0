"""SNMP against printed values: keys of RFC 3414, and messages whose bytes two other encoders agree on."""

from __future__ import annotations

import hashlib
import hmac

import pytest
from pysnmp.proto.rfc1902 import OctetString
from pysnmp.proto.secmod.rfc3414 import localkey

from hardenprobe.demo_lab import usm
from hardenprobe.errors import MalformedReply
from hardenprobe.model import State
from hardenprobe.probes.snmp import agent, pdu

PASSWORD = "maplesyrup"  # RFC 3414 A.3
ENGINE = bytes(11) + b"\x02"  # RFC 3414 A.3
SYS_DESCR = "1.3.6.1.2.1.1.1.0"

KEYS = [
    # hash, password to key, localised key
    ("md5", "9faf3283884e92834ebc9847d8edd963", "526f5eed9fcce26f8964c2930787d82b"),  # RFC 3414 A.3.1
    (
        "sha1",  # RFC 3414 A.3.2
        "9fb5cc0381497b3793528939ff788d5d79145211",
        "6695febc9288e36282235fc7151f128497b38f3f",
    ),
    (
        "sha256",  # recomputed for RFC 7860, not printed there
        "ab51014d1e077f6017df2b12bee5f5aa72993177e9bb569c4dff5a4ca0b4afac",
        "8982e0e549e866db361a6b625d84cccc11162d453ee8ce3a6445c2d6776f0f8b",
    ),
]


@pytest.mark.parametrize(("name", "key", "localised"), KEYS, ids=[k[0] for k in KEYS])
def test_key_localisation(name: str, key: str, localised: str) -> None:
    assert usm.password_key(PASSWORD, name).hex() == key
    assert usm.localized_key(PASSWORD, name, ENGINE).hex() == localised


@pytest.mark.parametrize(("name", "key", "localised"), KEYS, ids=[k[0] for k in KEYS])
def test_key_localisation_of_a_second_implementation(name: str, key: str, localised: str) -> None:
    make = getattr(hashlib, name)
    theirs = localkey.hash_passphrase(PASSWORD.encode(), make)
    assert bytes(theirs).hex() == key
    assert bytes(localkey.localize_key(theirs, OctetString(ENGINE), make)).hex() == localised


@pytest.mark.parametrize(
    ("name", "length"),
    [("SHA-1", 12), ("SHA-256", 24)],  # RFC 3414 section 7 (HMAC-SHA-96); RFC 7860 section 4 (HMAC192)
)
def test_lengths_of_the_truncated_digests(name: str, length: int) -> None:
    hash_name, kept = usm.HASHES[name]
    assert kept == length
    assert len(hmac.digest(b"k", b"", hash_name)) > length


MESSAGES = {
    # Two other encoders write these very bytes (recomputed).
    "2c": "302602010104067075626c6963a019020101020100020100300e300c06082b060102010101000500",
    "1": "302602010004067075626c6963a019020101020100020100300e300c06082b060102010101000500",
}
DISCOVERY = (
    "3038020103300e020101020300ffe30401040201030410300e0400020100020100040004000400"
    "301104000400a00b0201010201000201003000"
)


@pytest.mark.parametrize("version", MESSAGES)
def test_get_request(version: str) -> None:
    """RFC 1157 section 4.1.2, RFC 3416 section 4.2.1; BER of X.690."""
    assert pdu.encode(version, b"public", "get", (SYS_DESCR,), 1).hex() == MESSAGES[version]


def test_engine_discovery() -> None:
    """RFC 3414 section 4; RFC 3412 section 6."""
    assert agent.encode_discovery(1).hex() == DISCOVERY


def test_report_that_answers_a_discovery() -> None:
    """usmStatsUnknownEngineIDs is 1.3.6.1.6.3.15.1.1.4 (RFC 3414 section 5)."""
    engine = usm.Engine(engine_id=ENGINE, users=(), respond=lambda pdu: None, boots=7)
    report = engine.answer(agent.encode_discovery(2**31 - 1))
    assert report is not None
    facts = agent.decode_discovery(report, 2**31 - 1)
    assert (facts.state, facts.engine_id, facts.boots) == (State.ACCEPTING, ENGINE.hex(), 7)
    assert facts.report == "1.3.6.1.6.3.15.1.1.4.0"
    with pytest.raises(MalformedReply, match="another message"):
        agent.decode_discovery(report, 1)
