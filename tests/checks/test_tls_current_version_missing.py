"""hardenprobe.checks.tls_current_version_missing"""

from __future__ import annotations

import pytest
from support.tls import seen_tls, tls_port
from support.tls_branches import WITHOUT_TLS

from hardenprobe.checking.check import DeviceView
from hardenprobe.checks.tls_current_version_missing import CHECK

MINIMUM = CHECK.settings(minimum="TLS 1.2")


@pytest.mark.parametrize(
    ("minimum", "accepted", "unknown", "word", "reason"),
    [
        ("TLS 1.2", ("TLS 1.2",), {}, "pass", None),
        ("TLS 1.2", ("TLS 1.3",), {}, "pass", None),
        ("TLS 1.3", ("TLS 1.2",), {}, "fail", None),
        ("TLS 1.2", ("TLS 1.0",), {}, "fail", None),
        ("TLS 1.2", ("TLS 1.0",), {"TLS 1.2": "ceiling"}, "unknown", "ceiling"),
        ("TLS 1.2", ("TLS 1.3",), {"TLS 1.2": "ceiling"}, "pass", None),
        ("TLS 1.2", (), {}, "fail", None),
    ],
)
def test_one_version_that_will_do_is_enough(
    minimum: str, accepted: tuple[str, ...], unknown: dict[str, str], word: str, reason: str | None
) -> None:
    seen = seen_tls(tls_port(*accepted, unknown=unknown))
    [outcome] = CHECK.judge(seen, CHECK.settings(minimum=minimum))

    assert (str(outcome.word), outcome.reason) == (word, reason)


@WITHOUT_TLS
def test_without_tls_nothing_passes(seen: DeviceView, word: str) -> None:
    assert [str(o.word) for o in CHECK.judge(seen, MINIMUM)] == [word]
