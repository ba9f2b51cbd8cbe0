"""hardenprobe.checks.tls_certificate_dates"""

from __future__ import annotations

import pytest
from support.tls import certificate, chain, seen_tls, tls_port, with_issuer
from support.tls_branches import WITHOUT_TLS

from hardenprobe.checking.check import DeviceView
from hardenprobe.checks.tls_certificate_dates import CHECK
from hardenprobe.facts import Chain, Path, TlsPort

DAYS = CHECK.settings(ending_days=30)


@pytest.mark.parametrize(
    ("dates", "word", "subject"),
    [
        (("2026-06-01T00:00:00Z", "2027-06-01T00:00:00Z"), "pass", None),
        (("2025-06-01T00:00:00Z", "2026-06-01T00:00:00Z"), "fail", "expired"),
        (("2025-06-01T00:00:00Z", "2026-11-25T11:59:59Z"), "fail", "expired"),
        (("2027-01-01T00:00:00Z", "2028-01-01T00:00:00Z"), "fail", "not yet valid"),
        (("2026-06-01T00:00:00Z", "2026-12-25T11:59:59Z"), "fail", "ending soon"),
        (("2026-06-01T00:00:00Z", "2026-12-25T12:00:00Z"), "pass", None),
    ],
)
def test_each_side_of_each_date(dates: tuple[str, str], word: str, subject: str | None) -> None:
    port = tls_port("TLS 1.2", chains=(chain(not_before=dates[0], not_after=dates[1]),))
    [outcome] = CHECK.judge(seen_tls(port), DAYS)

    assert (str(outcome.word), outcome.subject) == (word, subject)
    assert outcome.vector in (None, *CHECK.vectors)


def test_a_clock_that_is_not_proven_proves_nothing() -> None:
    port = tls_port("TLS 1.2", chains=(chain(not_after="2020-01-01T00:00:00Z"),))
    [outcome] = CHECK.judge(seen_tls(port, clock=False), DAYS)

    assert str(outcome.word) == "unknown"


def test_a_second_certificate_is_a_subject_of_its_own() -> None:
    port = tls_port("TLS 1.2", chains=(chain(), chain("EC certificate", not_after="2026-06-02T00:00:00Z")))
    outcomes = list(CHECK.judge(seen_tls(port), DAYS))

    assert [(str(o.word), o.subject) for o in outcomes] == [
        ("pass", None),
        ("fail", "expired, EC certificate"),
    ]


ISSUED = {"issuer": "CN=Office Issuing"}
ISSUING = {"subject": "CN=Office Issuing", "issuer": "CN=Office Root", "names": ()}


def issued(**changes: object) -> TlsPort:
    """A port that sends a sound leaf and its issuer."""
    return tls_port("TLS 1.2", chains=(with_issuer(chain(**ISSUED), certificate(**(ISSUING | changes))),))


@pytest.mark.parametrize(
    ("changes", "subject"),
    [
        ({"not_after": "2026-11-01T00:00:00Z"}, "expired, issuer 1"),
        ({"not_before": "2027-01-01T00:00:00Z"}, "not yet valid, issuer 1"),
        ({"not_after": "2026-12-01T00:00:00Z"}, "ending soon, issuer 1"),
    ],
)
def test_an_issuer_that_is_served_outside_its_dates_fails(changes: dict[str, object], subject: str) -> None:
    outcomes = list(CHECK.judge(seen_tls(issued(**changes)), DAYS))

    assert [(str(o.word), o.subject) for o in outcomes] == [("pass", None), ("fail", subject)]


def test_what_is_sent_along_and_issued_nothing_is_not_judged() -> None:
    stray = issued(subject="CN=Elsewhere", not_after="2020-01-01T00:00:00Z")

    assert [str(o.word) for o in CHECK.judge(seen_tls(stray), DAYS)] == ["pass"]
    assert [str(o.word) for o in CHECK.judge(seen_tls(issued()), DAYS)] == ["pass"]


def test_a_certificate_that_cannot_be_read_or_did_not_come_is_unknown() -> None:
    unreadable = Chain(
        label="", certificates=(), path=Path(trusted=False, anchor=None, error="x"), fault="unreadable"
    )
    for chains in ((), (unreadable,)):
        [outcome] = CHECK.judge(seen_tls(tls_port("TLS 1.2", chains=chains)), DAYS)

        assert str(outcome.word) == "unknown"


@WITHOUT_TLS
def test_without_tls_nothing_passes(seen: DeviceView, word: str) -> None:
    assert [str(o.word) for o in CHECK.judge(seen, DAYS)] == [word]
