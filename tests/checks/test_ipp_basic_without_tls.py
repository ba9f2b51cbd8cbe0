"""ipp-basic-without-tls: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.ipp_basic_without_tls import CHECK
from hardenprobe.facts import IppPrinter, PrinterUri
from hardenprobe.model import State, Word
from hardenprobe.testing import at, seen_device, tcp_port

CLEAR, SECURE = "ipp://127.0.9.10/ipp/print", "ipps://127.0.9.10/ipp/print"


def printer(*uris: tuple[str, str, str], status: int | None = 0, **more: Any) -> Any:
    facts = IppPrinter(
        tls=False,
        path="/ipp/print",
        assigned=True,
        http_status=200,
        status=status,
        uris=tuple(PrinterUri(uri=u, security=s, authentication=a) for u, s, a in uris),
        **more,
    )
    return at(631, facts, protocol="ipp", path="/ipp/print")


@pytest.mark.parametrize(
    ("observation", "word"),
    [
        pytest.param(printer((CLEAR, "none", "basic")), Word.FAIL, id="Basic without TLS"),
        pytest.param(printer((CLEAR, "none", "certificate+basic")), Word.FAIL, id="beside a certificate"),
        pytest.param(
            printer((SECURE, "tls", "basic"), (CLEAR, "none", "basic")), Word.FAIL, id="one of two addresses"
        ),
        pytest.param(printer((SECURE, "tls", "basic")), Word.PASS, id="Basic under TLS"),
        pytest.param(
            printer((SECURE, "tls", "basic"), (CLEAR, "none", "none")), Word.PASS, id="no password in clear"
        ),
        pytest.param(printer((CLEAR, "none", "digest")), Word.PASS, id="Digest is no Basic"),
        pytest.param(
            printer(("ipp://queue.example/q", "none", "basic"), (SECURE, "tls", "basic")),
            Word.PASS,
            id="trap: the address is another host's",
        ),
        pytest.param(printer(unpaired="3, 2 and 2 values"), Word.UNKNOWN, id="cannot be paired"),
        pytest.param(printer(status=0x0403), Word.UNKNOWN, id="refused"),
        pytest.param(tcp_port(631, State.REFUSING), Word.NOTAPPLICABLE, id="no IPP"),
        pytest.param(tcp_port(631, State.SILENT), Word.UNKNOWN, id="silent"),
    ],
)
def test_branch(observation: Any, word: Word) -> None:
    (outcome,) = CHECK.judge(seen_device(observation), NoSettings())
    assert outcome.word is word
