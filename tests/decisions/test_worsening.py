"""A worse value ends a risk acceptance, by the way that each check says is worse; a milder or equal one does not.

The values are those of the checks named; what counts as worse of them is common practice, but for the FTP replies (RFC 959
section 4.2: 230 lets in, 331 asks for a password).
"""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.decisions.worsening import worsened
from hardenprobe.plugins import registry

CHECKS = registry.load(plugins=False).checks
DAY = 86_400
MANY = [f"10.{n // 250}.{n % 250}.0/25" for n in range(2_000)]


@pytest.mark.parametrize(
    ("check", "accepted", "now", "worse"),
    [
        ("snmp-personal-data", 1, 5, True),
        ("snmp-personal-data", 5, 1, False),
        ("ipp-job-disclosure", {"which": "completed", "job names": 1, "user names": 1}, {"which": "completed", "job names": 1, "user names": 5}, True),
        ("ipp-job-disclosure", {"which": "completed", "job names": 1, "user names": 5}, {"which": "not-completed", "job names": 0, "user names": 5}, False),
        ("clock-skew", 400, 90 * DAY, True),
        ("clock-skew", 400, -90 * DAY, True),
        ("clock-skew", -400, -430, False),
        ("allow-list-too-wide", {"count": 1_001, "entries": ["192.0.2.0/24"]}, {"count": 67_000_000, "entries": ["192.0.2.0/24", "10.0.0.0/6"]}, True),
        ("allow-list-too-wide", {"count": 500_000, "entries": MANY}, {"count": 500_000, "entries": [*MANY[:-1], "203.0.113.0/25"]}, True),
        ("allow-list-too-wide", {"count": 65_536, "entries": ["10.1.0.0/16"]}, {"count": 512, "entries": ["10.1.7.0/24", "10.1.9.0/24"]}, False),
        ("tls-weak-key", 1024, 768, True),
        ("tls-weak-key", 1024, 1536, False),
        ("cleartext-ftp", 331, 230, True),
        ("cleartext-ftp", 230, 331, False),
        ("ipp-no-authentication", "basic", "none", True),
        ("ipp-no-authentication", "none", "basic", False),
        ("firmware-below-floor", "5.10.1", "5.9.3", True),
        ("firmware-below-floor", "5.9.3", "5.10.1", False),
        ("tls-weak-cipher", {"RC4": ["TLS 1.2"]}, {"RC4": ["TLS 1.2"], "NULL": ["TLS 1.2"]}, True),
    ],
)  # fmt: skip
def test_a_worse_value_is_told_from_a_milder_one(check: str, accepted: Any, now: Any, worse: bool) -> None:
    said = worsened(now, accepted, CHECKS[check].worse)
    assert (said is not None) is worse, said
    assert worsened(accepted, accepted, CHECKS[check].worse) is None
