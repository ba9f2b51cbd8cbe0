"""hardenprobe.checks.tls_certificate_untrusted"""

from __future__ import annotations

import pytest
from support.tls import chain, seen_tls, tls_port
from support.tls_branches import WITHOUT_TLS

from hardenprobe.checking.check import DeviceView
from hardenprobe.checks.tls_certificate_untrusted import CHECK

PINS = CHECK.settings(accept_pins=True)
KEY = "aa" * 32


@pytest.mark.parametrize(
    ("trusted", "pinned", "accept", "word", "vector"),
    [
        (True, None, True, "pass", None),
        (False, None, True, "fail", None),
        (False, KEY, True, "pass", None),
        (False, KEY.upper(), True, "pass", None),
        (False, KEY, False, "fail", None),
        (False, "cc" * 32, True, "fail", "other key"),
        (True, "cc" * 32, True, "pass", None),
    ],
)
def test_a_path_or_an_accepted_pin(
    trusted: bool, pinned: str | None, accept: bool, word: str, vector: str | None
) -> None:
    port = tls_port("TLS 1.2", chains=(chain(trusted=trusted),))
    [outcome] = CHECK.judge(seen_tls(port, pinned=pinned), CHECK.settings(accept_pins=accept))

    assert (str(outcome.word), outcome.vector) == (word, vector)
    assert "revocation not checked" in outcome.observed.text or vector


def test_an_expired_certificate_on_a_good_path_is_trusted() -> None:
    port = tls_port("TLS 1.2", chains=(chain(not_after="2020-01-01T00:00:00Z"),))
    [outcome] = CHECK.judge(seen_tls(port), PINS)

    assert str(outcome.word) == "pass"


@WITHOUT_TLS
def test_without_tls_nothing_passes(seen: DeviceView, word: str) -> None:
    assert [str(o.word) for o in CHECK.judge(seen, PINS)] == [word]
