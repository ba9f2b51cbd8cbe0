"""demo_lab.truth_ssh: what is derived from declared algorithms, and that the shipped lab holds every kind of device."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from hardenprobe.demo_lab import INVENTORY, declarations
from hardenprobe.demo_lab.service_ssh import Ssh
from hardenprobe.demo_lab.truth import expected_findings
from hardenprobe.errors import FileInvalid

Derive = Callable[..., dict[str, set[str]]]
CHECKS = {
    "ssh-legacy-protocol", "ssh-weak-key-exchange", "ssh-weak-cipher", "ssh-weak-mac", "ssh-weak-host-key",
    "ssh-prefix-truncation", "ssh-shared-host-key",
}  # fmt: skip


@pytest.fixture
def derive(write_inventory: Callable[[str], Path]) -> Derive:
    """SSH findings by device of servers that are declared by their keys, one device each."""

    def run(*servers: str, source: str = "127.0.0.1", allow: str = "") -> dict[str, set[str]]:
        devices = "".join(
            f'  - asset_tag: "T{n}"\n    addresses: ["127.77.200.{n + 1}"]\n'
            f'    lab: {{model: "M", services: [{{speaks: "ssh"{server}}}]{allow}}}\n'
            for n, server in enumerate(servers)
        )
        found: dict[str, set[str]] = {}
        for guilt in expected_findings(write_inventory(devices), source, []):
            if guilt.check.startswith("ssh-"):
                found.setdefault(guilt.device, set()).add(
                    f"{guilt.check} {guilt.port} {guilt.subject or '-'}"
                )
        return found

    return run


@pytest.mark.parametrize(
    ("server", "expected"),
    [
        ("", set()),
        (', protocol: "1.99"', {"ssh-legacy-protocol 22 -"}),
        (', protocol: "1.99", port: 23, ciphers: ["arcfour"]', {"ssh-legacy-protocol 23 -"}),
        (', software: "x_1.99 SSH-1.5"', set()),
        (
            ', key_exchanges: ["diffie-hellman-group1-sha1"]',
            {"ssh-weak-key-exchange 22 group of 1024 bits with SHA-1"},
        ),
        (', key_exchanges: ["diffie-hellman-group14-sha1"]', set()),
        (
            ', ciphers: ["3des-cbc", "aes128-cbc"]',
            {"ssh-weak-cipher 22 DES or 3DES", "ssh-weak-cipher 22 CBC"},
        ),
        (', macs: ["hmac-md5", "hmac-sha1"]', {"ssh-weak-mac 22 MD5"}),
        (', host_keys: ["ssh-rsa"]', {"ssh-weak-host-key 22 SHA-1 signatures only"}),
        (', host_keys: ["ssh-rsa", "rsa-sha2-256"]', set()),
        (', host_keys: ["rsa-sha2-256"], rsa_bits: 1024', {"ssh-weak-host-key 22 RSA below 2048 bits"}),
        (', host_keys: ["ssh-dss"]', {"ssh-weak-host-key 22 DSA"}),
        (', ciphers: ["chacha20-poly1305@openssh.com"]', set()),
        (
            ', ciphers: ["chacha20-poly1305@openssh.com"], key_exchanges: ["curve25519-sha256"]',
            {"ssh-prefix-truncation 22 -"},
        ),
    ],
)
def test_each_server_is_guilty_of_what_it_offers(server: str, expected: set[str], derive: Derive) -> None:
    assert derive(server) == ({"T0": expected} if expected else {})


def test_a_key_is_shared_by_who_proves_it(derive: Derive) -> None:
    shared = {"ssh-shared-host-key 22 ssh-ed25519"}
    assert derive(', key: "k"', ', key: "k"', "") == {"T0": shared, "T1": shared}
    assert derive(', key: "k"', ', key: "k", proves: false') == {}
    assert derive(', key: "k"', ', key: "k", host_keys: ["ecdsa-sha2-nistp256"]') == {}
    assert derive("", "") == {}


def test_what_a_list_turns_away_is_not_seen(derive: Derive) -> None:
    allow = ', allow: [{entries: ["127.77.1.0/24"]}]'
    assert derive(', protocol: "1.99", key: "k"', ', key: "k"', allow=allow) == {}
    assert set(derive(', protocol: "1.99", key: "k"', ', key: "k"', allow=allow, source="127.77.1.9")) == {
        "T0",
        "T1",
    }


@pytest.mark.parametrize(
    ("server", "says"),
    [
        (', host_keys: ["x"]', "host_keys must be some of"),
        (", host_keys: []", "host_keys must be some of"),
        (', key_exchanges: ["ext-info-s"]', "key_exchanges must hold one of"),
    ],
)
def test_a_server_that_cannot_exchange_keys_is_refused(server: str, says: str, derive: Derive) -> None:
    with pytest.raises(FileInvalid, match=says):
        derive(server)


def test_the_shipped_lab_has_guilty_and_innocent_servers_for_every_check() -> None:
    servers = {
        d.listed.asset_tag
        for d in declarations.simulated(declarations.load(INVENTORY))
        if any(isinstance(s, Ssh) for s in d.services)
    }
    found = expected_findings(INVENTORY, "127.0.0.1")
    guilty = {check: {g.device for g in found if g.check == check} for check in CHECKS}
    assert all(who and who < servers for who in guilty.values()), guilty
    assert len(guilty["ssh-shared-host-key"]) >= 2
