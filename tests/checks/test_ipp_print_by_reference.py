"""ipp-print-by-reference: each branch of its judge."""

from __future__ import annotations

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.ipp_print_by_reference import CHECK
from hardenprobe.facts import IppPrinter
from hardenprobe.model import State, Word
from hardenprobe.testing import at, seen_device, tcp_port


@pytest.mark.parametrize(
    ("operations", "word", "value"),
    [
        ((0x0002, 0x0003, 0x000B), Word.FAIL, ["Print-URI"]),
        ((0x0003, 0x0007), Word.FAIL, ["Print-URI", "Send-URI"]),
        ((0x0007,), Word.FAIL, ["Send-URI"]),
        ((0x0002, 0x0006, 0x000B), Word.PASS, None),
        ((), Word.UNKNOWN, None),
    ],
)
def test_operations(operations: tuple[int, ...], word: Word, value: list[str] | None) -> None:
    facts = IppPrinter(
        tls=True, path="/ipp/print", assigned=True, http_status=200, status=1, operations=operations
    )
    (outcome,) = CHECK.judge(seen_device(at(631, facts, protocol="ipps")), NoSettings())
    assert (outcome.word, outcome.observed.value) == (word, value)


def test_without_ipp() -> None:
    for state, word in ((State.REFUSING, Word.NOTAPPLICABLE), (State.SILENT, Word.UNKNOWN)):
        assert [o.word for o in CHECK.judge(seen_device(tcp_port(631, state)), NoSettings())] == [word]
