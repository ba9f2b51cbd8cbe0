"""hardenprobe.checks.tls_insecure_renegotiation"""

from __future__ import annotations

import pytest
from support.tls import seen_tls, tls_port
from support.tls_branches import WITHOUT_TLS

from hardenprobe.checking.check import DeviceView
from hardenprobe.checks.tls_insecure_renegotiation import CHECK

NONE = CHECK.settings()


@pytest.mark.parametrize(
    ("accepted", "secure", "unknown", "word"),
    [
        (("TLS 1.2",), {"TLS 1.2": True}, {}, "pass"),
        (("TLS 1.2", "SSL 3.0"), {"TLS 1.2": True, "SSL 3.0": False}, {}, "fail"),
        (("TLS 1.2",), {"TLS 1.2": True}, {"TLS 1.1": "ceiling"}, "unknown"),
        (("TLS 1.3",), {}, {}, "pass"),
    ],
)
def test_every_version_below_thirteen_must_answer(
    accepted: tuple[str, ...], secure: dict[str, bool], unknown: dict[str, str], word: str
) -> None:
    seen = seen_tls(tls_port(*accepted, unknown=unknown, secure_renegotiation=secure))
    [outcome] = CHECK.judge(seen, NONE)

    assert str(outcome.word) == word


@WITHOUT_TLS
def test_without_tls_nothing_passes(seen: DeviceView, word: str) -> None:
    assert [str(o.word) for o in CHECK.judge(seen, NONE)] == [word]
