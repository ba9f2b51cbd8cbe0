"""hardenprobe.checks.tls_deprecated_version"""

from __future__ import annotations

import pytest
from support.tls import seen_tls, tls_port
from support.tls_branches import WITHOUT_TLS

from hardenprobe.checking.check import DeviceView
from hardenprobe.checks.tls_deprecated_version import CHECK

RULES = CHECK.settings(rules="rules-tls-rfc9325")


@pytest.mark.parametrize(
    ("accepted", "unknown", "expected"),
    [
        (("TLS 1.2", "TLS 1.3"), {}, [("pass", None, None)]),
        (("SSL 2.0",), {}, [("fail", "SSL 2.0", None)]),
        (("SSL 3.0", "TLS 1.2"), {}, [("fail", "SSL 3.0", None)]),
        (("TLS 1.0", "TLS 1.1", "TLS 1.2"), {}, [("fail", "TLS 1.0", None), ("fail", "TLS 1.1", None)]),
        (("TLS 1.2",), {"TLS 1.0": "ceiling"}, [("unknown", "TLS 1.0", "ceiling")]),
        (
            ("TLS 1.1",),
            {"SSL 2.0": "silent"},
            [("unknown", "SSL 2.0", "silent"), ("fail", "TLS 1.1", None)],
        ),
    ],
)
def test_one_result_for_each_forbidden_version(
    accepted: tuple[str, ...], unknown: dict[str, str], expected: list[tuple[str, str | None, str | None]]
) -> None:
    seen = seen_tls(tls_port(*accepted, unknown=unknown))
    outcomes = list(CHECK.judge(seen, RULES))

    assert [(str(o.word), o.subject, o.reason) for o in outcomes] == expected
    assert all(o.proof for o in outcomes)
    assert all(o.rule_set and o.rule_set.name == "RFC 9325 with RFC 10015" for o in outcomes)


@pytest.mark.parametrize(
    ("rules", "tls_1_1"), [("rules-tls-rfc9325", "fail"), ("rules-tls-sp800-52r2", "informational")]
)
def test_rule_sets_differ_about_tls_1_1(rules: str, tls_1_1: str) -> None:
    """RFC 8996: MUST NOT; SP 800-52 Rev. 2 section 3.1: should not, and shall not for what is older."""
    seen = seen_tls(tls_port("SSL 2.0", "SSL 3.0", "TLS 1.0", "TLS 1.1", "TLS 1.2"))
    told = {o.subject: (str(o.word), o.vector) for o in CHECK.judge(seen, CHECK.settings(rules=rules))}

    assert told.pop("TLS 1.1") == (tls_1_1, "" if tls_1_1 == "fail" else None)
    assert told == {"SSL 2.0": ("fail", "ssl"), "SSL 3.0": ("fail", "ssl"), "TLS 1.0": ("fail", "")}


@WITHOUT_TLS
def test_without_tls_nothing_passes(seen: DeviceView, word: str) -> None:
    assert [str(o.word) for o in CHECK.judge(seen, RULES)] == [word]
