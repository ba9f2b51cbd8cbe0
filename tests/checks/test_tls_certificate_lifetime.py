"""hardenprobe.checks.tls_certificate_lifetime"""

from __future__ import annotations

import pytest
from support.tls import chain, seen_tls, tls_port
from support.tls_branches import WITHOUT_TLS

from hardenprobe.checking.check import DeviceView
from hardenprobe.checks.tls_certificate_lifetime import CHECK

LIMIT = CHECK.settings(max_days=398)


@pytest.mark.parametrize(
    ("not_after", "days", "word"),
    [
        ("2027-07-03T23:59:59Z", 398, "pass"),
        ("2027-07-04T00:00:00Z", 399, "fail"),
        ("2036-06-01T00:00:00Z", 3654, "fail"),
    ],
)
def test_one_second_more_is_one_day_more(not_after: str, days: int, word: str) -> None:
    port = tls_port("TLS 1.2", chains=(chain(not_before="2026-06-01T00:00:00Z", not_after=not_after),))
    [outcome] = CHECK.judge(seen_tls(port), LIMIT)

    assert (str(outcome.word), outcome.observed.value) == (word, days)


def test_a_self_signed_certificate_is_one_finding_of_tls_certificate_untrusted() -> None:
    own = chain(trusted=False, self_signed=True, not_after="2036-06-01T00:00:00Z")
    [outcome] = CHECK.judge(seen_tls(tls_port("TLS 1.2", chains=(own,))), LIMIT)
    assert str(outcome.word) == "informational"


@WITHOUT_TLS
def test_without_tls_nothing_passes(seen: DeviceView, word: str) -> None:
    assert [str(o.word) for o in CHECK.judge(seen, LIMIT)] == [word]
