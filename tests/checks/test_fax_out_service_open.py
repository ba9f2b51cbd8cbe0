"""fax-out-service-open: each branch of its judge."""

from __future__ import annotations

from typing import Any

from support.ipp_branches import EACH_ANSWER, word_for, word_without

from hardenprobe.checks.fax_out_service_open import CHECK


@EACH_ANSWER
def test_branch(changes: dict[str, Any], word: str) -> None:
    assert word_for(CHECK, "fax out", changes) == word


def test_a_port_that_refuses_is_not_applicable() -> None:
    assert word_without(CHECK) == "notapplicable"
