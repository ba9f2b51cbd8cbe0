"""The asking side of SNMPv3 against printed values."""

from __future__ import annotations

import pytest

from hardenprobe.probes.snmp import usm

PASSWORD = b"maplesyrup"  # RFC 3414 A.3
ENGINE = bytes(11) + b"\x02"  # RFC 3414 A.3


@pytest.mark.parametrize(
    ("name", "localised"),
    [
        ("md5", "526f5eed9fcce26f8964c2930787d82b"),  # RFC 3414 A.3.1
        ("sha1", "6695febc9288e36282235fc7151f128497b38f3f"),  # RFC 3414 A.3.2
        # Recomputed for RFC 7860, not printed there.
        ("sha256", "8982e0e549e866db361a6b625d84cccc11162d453ee8ce3a6445c2d6776f0f8b"),
    ],
)
def test_localised_keys(name: str, localised: str) -> None:
    assert usm.localized_key(PASSWORD, name, ENGINE).hex() == localised


def test_lengths_of_the_truncated_digests() -> None:
    """RFC 3414 sections 6.3.1 and 7.3.1 (12 octets); RFC 7860 section 4.1 (16, 24, 32 and 48)."""
    assert {name: length for name, (_, length) in usm.HASHES.items()} == {
        "MD5": 12, "SHA-1": 12, "SHA-224": 16, "SHA-256": 24, "SHA-384": 32, "SHA-512": 48,
    }  # fmt: skip


def test_levels_are_the_flags_of_the_message() -> None:
    """RFC 3412 section 6.4: authFlag is 1, privFlag 2, reportableFlag 4."""
    assert usm.LEVELS == {"noAuthNoPriv": 0, "authNoPriv": 1, "authPriv": 3}
    assert usm.REPORTABLE == 4
