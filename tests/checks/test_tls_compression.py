"""hardenprobe.checks.tls_compression"""

from __future__ import annotations

import pytest
from support.tls import seen_tls, tls_port
from support.tls_branches import WITHOUT_TLS

from hardenprobe.checking.check import DeviceView
from hardenprobe.checks.tls_compression import CHECK

NONE = CHECK.settings()


@pytest.mark.parametrize(
    ("accepted", "compression", "unknown", "word"),
    [
        (("TLS 1.2",), {"TLS 1.2": False}, {}, "pass"),
        (("TLS 1.2", "TLS 1.0"), {"TLS 1.2": False, "TLS 1.0": True}, {}, "fail"),
        (("TLS 1.2",), {"TLS 1.2": False}, {"TLS 1.0": "ceiling"}, "unknown"),
        (("TLS 1.2",), {"TLS 1.2": False}, {"SSL 2.0": "silent"}, "pass"),
        (("TLS 1.3",), {}, {}, "pass"),
    ],
)
def test_compression_where_it_was_offered(
    accepted: tuple[str, ...], compression: dict[str, bool], unknown: dict[str, str], word: str
) -> None:
    seen = seen_tls(tls_port(*accepted, unknown=unknown, compression=compression))
    [outcome] = CHECK.judge(seen, NONE)

    assert str(outcome.word) == word


@WITHOUT_TLS
def test_without_tls_nothing_passes(seen: DeviceView, word: str) -> None:
    assert [str(o.word) for o in CHECK.judge(seen, NONE)] == [word]
