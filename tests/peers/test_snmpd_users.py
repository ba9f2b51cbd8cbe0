"""SNMPv3 users at each level, and communities that may or may not write, against net-snmp's agent."""

from __future__ import annotations

import socket
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.devices.credentials import Community, Secret, Secrets, User
from hardenprobe.devices.inventory import Inventory, Listed
from hardenprobe.facts import SnmpObjects
from hardenprobe.model import Reach, Review
from hardenprobe.probes.snmp.pdu import SYS_CONTACT, encode

pytestmark = [pytest.mark.peer, pytest.mark.slow]

AUTH, PRIV = "lab-reads-only", "lab-keeps-quiet"
ENGINE = "8000000001020304{:02x}"
CONTACT = "Quay office, extension 7"
# Our name of each algorithm, and net-snmp's.
PAIRS = {
    "md5-des": ("MD5", "DES", "MD5", "DES"),
    "sha-aes": ("SHA-1", "AES-128", "SHA", "AES"),
    "sha224-aes": ("SHA-224", "AES-128", "SHA-224", "AES"),
    "sha256-aes": ("SHA-256", "AES-128", "SHA-256", "AES"),
    "sha384-aes": ("SHA-384", "AES-128", "SHA-384", "AES"),
    "sha512-aes": ("SHA-512", "AES-128", "SHA-512", "AES"),
}
LEVELS = {"noauth": "noAuthNoPriv", "auth": "authNoPriv", "priv": "authPriv"}


def user(name: str, pair: str = "sha256-aes", password: str = AUTH) -> User:
    auth, priv, *_ = PAIRS[pair]
    return User(name=name, auth=auth, auth_password=Secret(password), priv=priv, priv_password=Secret(PRIV))


SECRETS = (*(user(name, name) for name in PAIRS), *(user(f"from-{level}") for level in LEVELS))


@pytest.fixture(scope="module")
def snmpd(
    address: Callable[[], str],
    folder: Callable[[str], Path],
    program: Callable[[str, str], str],
    start: Callable[..., None],
    port_offset: int,
) -> Callable[..., str]:
    """Start net-snmp's agent; it is ready when it answers the community public."""

    def run(settings: Sequence[str]) -> str:
        host, where, port = address(), folder("snmpd"), 161 + port_offset
        (where / "snmpd.conf").write_text("\n".join((f"agentAddress udp:{host}:{port}", *settings)) + "\n")
        command = (
            program("snmpd", "snmpd"),
            "-f",
            "-Lo",
            "-C",
            "-c",
            where / "snmpd.conf",
            "-p",
            where / "pid",
        )
        environment = {"SNMP_PERSISTENT_DIR": str(where / "kept"), "MIBS": ""}
        start(command, where, ready=lambda: answers(host, port), environment=environment)
        return host

    return run


def answers(host: str, port: int) -> bool:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.settimeout(0.3)
        sock.connect((host, port))
        try:
            sock.send(encode("2c", b"public", "get", (SYS_CONTACT,), 1))
            return bool(sock.recv(65535))
        except OSError:
            return False


@pytest.fixture(scope="module")
def agents(snmpd: Callable[..., str]) -> dict[str, str]:
    """Agents by how they are set, each with an engine id of its own."""
    users = [
        line
        for name, (_, _, auth, priv) in PAIRS.items()
        for line in (f'createUser {name} {auth} "{AUTH}" {priv} "{PRIV}"', f"rouser {name} priv")
    ]
    users += [
        line
        for level in LEVELS
        for line in (f'createUser from-{level} SHA-256 "{AUTH}" AES "{PRIV}"', f"rouser from-{level} {level}")
    ]
    settings = {
        "users": ["rocommunity public", *users],
        "writes": ["rwcommunity public", "trap2sink 127.0.0.1:9 public"],
        # A sysContact of the settings file cannot be written, whoever asks; that says nothing of other objects.
        "fixed": [f"sysContact {CONTACT}", "rwcommunity public"],
        "reads": ["rocommunity public", "rwcommunity north-quay-9"],
        "one row at a time": ["rocommunity public", "maxGetbulkRepeats 1"],
    }
    found = {}
    for number, (name, lines) in enumerate(settings.items(), 1):
        # net-snmp takes exactEngineID as it stands.
        found[name] = snmpd([f"exactEngineID 0x{ENGINE.format(number)}", *lines])
    return found


@pytest.fixture(scope="module")
def review(agents: dict[str, str], scan: Callable[..., Review]) -> Review:
    devices = tuple(
        Listed(asset_tag=name, addresses=(host,), engine_id=ENGINE.format(number))
        for number, (name, host) in enumerate(agents.items(), 1)
    )
    inventory = Inventory(devices=devices, by_address={d.addresses[0]: d for d in devices}, source="test")
    secrets = Secrets(
        users=SECRETS, communities=(Community(label="of the fleet", community=Secret("north-quay-9")),)
    )
    return scan(*agents.values(), inventory=inventory, reach=Reach.ALTER, secrets=secrets)


def words(said: Any, review: Review, host: str, check: str) -> set[tuple[str | None, str]]:
    return {(subject, word) for _, subject, word in said(review, host, check)}


def test_a_user_is_served_at_the_levels_that_the_agent_allows(agents: Any, review: Review, said: Any) -> None:
    told = words(said, review, agents["users"], "snmp-v3-below-authpriv")
    assert told == {
        *((f'user "{name}"', "pass") for name in (*PAIRS, "from-priv")),
        ('user "from-noauth" at noAuthNoPriv', "fail"),
        ('user "from-noauth" at authNoPriv', "fail"),
        ('user "from-auth" at authNoPriv', "fail"),
    }


def test_the_supplied_pair_is_judged(agents: Any, review: Review, said: Any) -> None:
    told = words(said, review, agents["users"], "snmp-v3-weak-algorithms")
    failing = {subject for subject, word in told if word == "fail"}
    assert failing == {'user "md5-des", MD5', 'user "md5-des", DES'}
    assert {subject for subject, word in told if word == "informational"} == {'user "sha-aes", SHA-1'}
    assert {subject for subject, word in told if word == "pass"} == {
        *(f'user "{name}"' for name in PAIRS if name != "md5-des"),
        *(f'user "from-{level}"' for level in LEVELS),
    }


def test_a_write_back_tells_who_may_write(agents: Any, review: Review, said: Any) -> None:
    default, known = "snmp-default-community-write", "snmp-known-community-write"
    assert words(said, review, agents["writes"], default) == {('community "public"', "fail")}
    assert words(said, review, agents["fixed"], default) == {('community "public"', "unknown, inconclusive")}
    # net-snmp says noAccess where a community has no write view at all; the standard keeps that for the one object.
    assert words(said, review, agents["reads"], default) == {('community "public"', "unknown, inconclusive")}
    assert words(said, review, agents["reads"], known) == {('community "of the fleet"', "fail")}


def test_bulk_answers_and_people(agents: Any, review: Review, said: Any) -> None:
    assert words(said, review, agents["writes"], "snmp-amplification") == {(None, "fail")}
    assert words(said, review, agents["one row at a time"], "snmp-amplification") == {(None, "informational")}
    assert words(said, review, agents["fixed"], "snmp-personal-data") == {("contact", "fail")}
    kept = repr([o.facts for seen in review.observations.values() for o in seen])
    assert "**** ******, ********* *" in kept
    assert CONTACT not in kept


def test_the_access_table_tells_who_may_write(agents: Any, review: Review, said: Any) -> None:
    """net-snmp shows vacmAccessTable in the view of its communities, and makes rows of rwcommunity."""
    check = "snmp-access-table-readable"
    assert words(said, review, agents["writes"], check) == {(None, "fail"), ("write view", "fail")}
    assert words(said, review, agents["users"], check) == {(None, "fail"), ("users", "fail")}


def test_receivers_of_notifications_are_read(agents: Any, review: Review, said: Any) -> None:
    """net-snmp keeps those of trap2sink in snmpTargetAddrTable."""
    check = "snmp-notifications-in-clear"
    assert words(said, review, agents["writes"], check) == {(None, "fail")}
    assert words(said, review, agents["reads"], check) == {(None, "unknown, inconclusive")}


def test_names_of_users_are_not_kept_of_a_table_that_shows_them(review: Review) -> None:
    """They are in the index of usmUserTable."""
    read = [o for seen in review.observations.values() for o in seen if isinstance(o.facts, SnmpObjects)]
    kept = b"".join(bytes.fromhex(e.hex) for o in read for e in o.transcript)
    assert max(o.facts.users for o in read) > 1
    assert b"public" in kept
    assert not any(name.encode() in kept for name in (*PAIRS, "from-"))


def test_engine_ids_and_clock(agents: Any, review: Review, said: Any) -> None:
    for host in agents.values():
        assert words(said, review, host, "snmp-shared-engine-id") == {(None, "pass")}
        assert words(said, review, host, "clock-skew") == {("hrSystemDate", "pass")}


def test_a_wrong_password_stops_the_user_for_the_whole_fleet(
    snmpd: Callable[..., str], scan: Callable[..., Review], said: Any
) -> None:
    lines = [
        f'createUser collector SHA-256 "{AUTH}" AES "{PRIV}"',
        "rouser collector priv",
        "rocommunity public",
    ]
    hosts = [snmpd([f"exactEngineID 0x{ENGINE.format(n)}", *lines]) for n in (21, 22)]
    devices = tuple(
        Listed(asset_tag=host, addresses=(host,), engine_id=ENGINE.format(n))
        for n, host in zip((21, 22), hosts, strict=True)
    )
    inventory = Inventory(devices=devices, by_address={d.addresses[0]: d for d in devices}, source="test")
    secrets = Secrets(users=(user("collector", password="not-the-password"),))
    found = scan(*hosts, inventory=inventory, secrets=secrets)
    facts = [o.facts for seen in found.observations.values() for o in seen if o.kind == "snmp-user"]
    assert sorted(f.levels.get("authNoPriv", "not sent") for f in facts) == ["not sent", "wrong-digest"]
    assert [bool(f.withheld) for f in facts].count(True) == 1
    assert list(secrets.stopped) == ["collector"]
