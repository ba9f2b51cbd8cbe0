"""scan-destinations-in-clear: each branch of its judge."""

from __future__ import annotations

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.scan_destinations_in_clear import CHECK
from hardenprobe.facts import IppService
from hardenprobe.model import State
from hardenprobe.testing import at, seen_device, tcp_port


@pytest.mark.parametrize(
    ("destinations", "schemes", "word"),
    [
        pytest.param({"ftp": 2, "https": 1}, ("ftp", "https"), "fail", id="some in clear"),
        pytest.param({"http": 1, "smb": 1}, (), "fail", id="in clear, and one that does not say"),
        pytest.param({"smb": 1, "https": 1}, (), "unknown", id="a scheme that does not say"),
        pytest.param({"": 1}, (), "unknown", id="no scheme"),
        pytest.param({"https": 2, "sftp": 1}, ("ftp",), "pass", id="all encrypted"),
        pytest.param({}, ("ftp", "https"), "informational", id="supported, and none told"),
        pytest.param({}, ("https",), "pass", id="none but encrypted supported"),
        pytest.param({}, ("https", "mailto"), "unknown", id="a supported scheme that does not say"),
        pytest.param({}, (), "unknown", id="nothing told"),
    ],
)
def test_branch(destinations: dict[str, int], schemes: tuple[str, ...], word: str) -> None:
    facts = IppService(
        service="scan",
        tls=True,
        path="/ipp/scan",
        http_status=200,
        status=0,
        destinations=destinations,
        schemes=schemes,
    )
    (outcome,) = CHECK.judge(seen_device(at(631, facts)), NoSettings())
    assert outcome.word == word


def test_a_port_that_refuses_is_not_applicable() -> None:
    (outcome,) = CHECK.judge(seen_device(tcp_port(631, State.REFUSING)), NoSettings())
    assert outcome.word == "notapplicable"
