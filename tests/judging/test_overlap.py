"""One weakness is one finding, and its remediation fits the device."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hardenprobe.judging.overlap import counted_once, fitted
from hardenprobe.model import Endpoint, Result, Said, State, Word
from hardenprobe.remediation.fit import ALSO
from hardenprobe.testing import tcp_port

GENERAL = frozenset({"any-off"})
LOOKED = {"dev-1": [tcp_port(443, State.REFUSING), tcp_port(631, State.REFUSING)]}


def failed(check: str, remedy: str, port: int | None = 23, device: str = "dev-1") -> Result:
    endpoint = None if port is None else Endpoint(address="192.0.2.1", transport="tcp", port=port)
    return Result(
        finding=f"{device} {check} {port}", device=device, check=check, check_version="1", origin="hardenprobe",
        endpoint=endpoint, subject=None, vantage="office", result=Word.FAIL, score=5.0, observed=Said(text="open"),
        expected=Said(text="closed"), remedy=remedy,
    )  # fmt: skip


def test_a_general_finding_is_information_where_a_specific_check_fails_for_the_same_port() -> None:
    general, specific = failed("unexpected-service", "any-off"), failed("cleartext-telnet", "telnet-off")

    counted, kept = counted_once([general, specific], GENERAL)

    assert kept == specific
    assert (counted.result, counted.remedy, counted.score) == (Word.INFORMATIONAL, None, None)
    assert counted.observed.text == "open; counted once, as cleartext-telnet"
    assert counted.finding == general.finding


def test_a_general_finding_counts_where_no_specific_check_fails_for_its_port() -> None:
    general = failed("unexpected-service", "any-off")
    others = [
        failed("cleartext-telnet", "telnet-off", port=2323),
        failed("cleartext-telnet", "telnet-off", device="dev-2"),
        failed("settings-page-open", "settings-sign-in", port=None),
        replace(failed("cleartext-telnet", "telnet-off"), result=Word.PASS, remedy=None, score=None),
    ]
    assert counted_once([general, *others], GENERAL)[0] == general


def test_https_only_is_not_advised_to_a_device_without_tls() -> None:
    without = [
        failed("cleartext-http-management", "http-to-https", 80),
        failed("management-encryption-missing", "isolate-or-replace", None),
    ]
    with_tls = failed("cleartext-http-management", "http-to-https", 80, "dev-2")

    assert [r.remedy for r in fitted([*without, with_tls], LOOKED)] == [
        "isolate-or-replace", "isolate-or-replace", "http-to-https",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("check", "remedy"), [("cleartext-print-raw", "raw-print-limit"), ("cleartext-print-lpd", "lpd-off")]
)
def test_print_queues_over_tls_are_not_advised_to_a_device_without_tls(check: str, remedy: str) -> None:
    tls = replace(
        failed("tls-current-version-missing", "tls-modern", None),
        result=Word.NOTAPPLICABLE,
        remedy=None,
        score=None,
    )
    assert fitted([failed(check, remedy, 9100), tls], LOOKED)[0].remedy == "print-ports-limit"
    assert (
        fitted([failed(check, remedy, 9100), replace(tls, result=Word.UNKNOWN)], LOOKED)[0].remedy == remedy
    )
    # Its TLS ports were not looked at.
    assert fitted([failed(check, remedy, 9100), tls], {"dev-1": [tcp_port(9100)]})[0].remedy == remedy
    assert "TLS" not in " ".join(ALSO["print-ports-limit"].steps[1:])


@pytest.mark.parametrize(
    ("words", "remedy"),
    [
        ([Word.NOTAPPLICABLE], "isolate-or-replace"),
        ([Word.UNKNOWN], "ipp-tls-only"),
        ([Word.NOTAPPLICABLE, Word.PASS], "ipp-tls-only"),
        ([], "ipp-tls-only"),
    ],
    ids=["no TLS", "not determined", "TLS from another vantage point", "not selected"],
)
def test_ipp_over_tls_is_not_advised_to_a_device_without_tls(words: list[Word], remedy: str) -> None:
    ipp = failed("cleartext-ipp", "ipp-tls-only", 631)
    tls = [
        replace(
            failed("tls-current-version-missing", "tls-modern", None), result=word, remedy=None, score=None
        )
        for word in words
    ]
    assert fitted([ipp, *tls], LOOKED)[0].remedy == remedy
