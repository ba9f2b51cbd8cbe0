"""The SNMP checks, against net-snmp's agent."""

from __future__ import annotations

import ipaddress
import subprocess
from collections.abc import Callable
from typing import Any

import pytest

from hardenprobe.facts import SnmpObjects
from hardenprobe.model import Review

pytestmark = [pytest.mark.peer, pytest.mark.slow]

PUBLIC = ("-v2c", "-c", "public")
SECRET = ("-v2c", "-c", "north-quay-9")
ADMITTED, ANOTHER = "127.0.0.9", "127.0.0.1"
FROM_ADMITTED = ("--clientaddr=" + ADMITTED, *PUBLIC)


PASSWORDS = {"auth": "lab-reads-only", "priv": "lab-keeps-quiet"}


@pytest.fixture(scope="session")
def as_user() -> tuple[str, ...]:
    """Options of net-snmp's client for the SNMPv3 user with authentication and privacy."""
    return (
        "-v3", "-l", "authPriv", "-u", "collector",
        "-a", "SHA", "-A", PASSWORDS["auth"], "-x", "AES", "-X", PASSWORDS["priv"],
    )  # fmt: skip


@pytest.fixture(scope="session")
def user_settings() -> tuple[str, ...]:
    """What makes that user known to the agent."""
    return (
        f'createUser collector SHA "{PASSWORDS["auth"]}" AES "{PASSWORDS["priv"]}"',
        "rouser collector authPriv",
    )


@pytest.fixture(scope="module")
def agents(
    snmpd: Callable[..., str], as_user: tuple[str, ...], user_settings: tuple[str, ...]
) -> dict[str, str]:
    """Agents by how they are set; each answers its own manager, or it would not have started."""
    return {
        "public": snmpd(["rocommunity public"], PUBLIC),
        "no version 3": snmpd(["rocommunity public", "[snmp] disableSNMPv3 yes"], PUBLIC),
        "no version 1": snmpd(["rocommunity public", "[snmp] disableSNMPv1 yes"], PUBLIC),
        "version 3 only": snmpd(user_settings, as_user),
        "secret": snmpd(["rocommunity north-quay-9"], SECRET),
        "one source": snmpd([f"rocommunity public {ADMITTED}"], FROM_ADMITTED),
        "empty view": snmpd(["rocommunity public default .1.3.6.1.4.1", "rocommunity north-quay-9"], SECRET),
    }


@pytest.fixture(scope="module")
def review(agents: dict[str, str], scan: Callable[..., Review]) -> Review:
    return scan(*agents.values(), sources=(ANOTHER, ADMITTED))


SILENT = {("udp/161", None, "unknown, silent")}
BOTH = {("udp/161", "SNMPv1", "fail"), ("udp/161", "SNMPv2c", "fail")}
DEFAULT = {("udp/161", 'community "public"', "fail")}
ENGINE = {("udp/161", None, "pass")}


@pytest.mark.parametrize(
    ("agent", "cleartext", "default", "version_3"),
    [
        ("public", BOTH, DEFAULT, ENGINE),
        ("no version 3", BOTH, DEFAULT, {("udp/161", None, "fail")}),
        ("no version 1", {("udp/161", "SNMPv2c", "fail")}, DEFAULT, ENGINE),
        ("version 3 only", SILENT, SILENT, ENGINE),
        ("secret", SILENT, SILENT, ENGINE),
        ("empty view", BOTH, DEFAULT, ENGINE),
    ],
)
def test_an_agent_is_judged_by_what_it_answers(
    agent: str, cleartext: Any, default: Any, version_3: Any, agents: Any, review: Review, said: Any
) -> None:
    host = agents[agent]

    assert said(review, host, "snmp-cleartext-version", ANOTHER) == cleartext
    assert said(review, host, "snmp-default-community-read", ANOTHER) == default
    assert said(review, host, "snmp-v3-missing", ANOTHER) == version_3


def test_the_subnets_that_an_agent_shows_are_those_of_this_machine(agents: Any, review: Review) -> None:
    shown = next(
        one.facts for seen in review.observations.values() for one in seen
        if isinstance(one.facts, SnmpObjects) and one.endpoint and one.endpoint.address == agents["no version 3"]
    )  # fmt: skip
    told = subprocess.run(
        ("ip", "-o", "address"), capture_output=True, text=True, timeout=10, check=True
    ).stdout
    own = {str(ipaddress.ip_interface(words[3]).network) for words in map(str.split, told.splitlines())}

    assert "127.0.0.0/8" in {subnet.network for subnet in shown.subnets} <= own


def test_an_agent_that_admits_one_source_fails_there_and_passes_elsewhere(
    agents: Any, review: Review, said: Any
) -> None:
    host = agents["one source"]

    assert said(review, host, "snmp-cleartext-version", ADMITTED) == BOTH
    assert said(review, host, "snmp-default-community-read", ADMITTED) == DEFAULT
    # Silent from here; that it answers another vantage point proves that something keeps us out.
    assert said(review, host, "snmp-cleartext-version", ANOTHER) == {("udp/161", None, "pass, dropped")}
    assert said(review, host, "snmp-default-community-read", ANOTHER) == {("udp/161", None, "pass, dropped")}


def test_seen_from_outside_its_source_alone_nothing_is_told(
    agents: Any, scan: Callable[..., Review], said: Any
) -> None:
    host = agents["one source"]
    review = scan(host, sources=(ANOTHER,))

    assert said(review, host, "snmp-cleartext-version") == SILENT
    assert said(review, host, "snmp-default-community-read") == SILENT


def test_silence_to_a_default_says_nothing_of_the_real_community(
    agents: Any, snmpget: Callable[..., bool]
) -> None:
    """What the scan may not see is there: the secret community is answered, in clear."""
    assert snmpget(agents["secret"], *SECRET)
    assert not snmpget(agents["secret"], *PUBLIC)
    assert not snmpget(agents["version 3 only"], *PUBLIC)


def test_no_other_service_is_found(agents: Any, review: Review, failing: Any) -> None:
    for host in agents.values():
        assert failing(review, host) <= {("snmp-cleartext-version", "udp/161")}
