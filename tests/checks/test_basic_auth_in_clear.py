"""basic-auth-in-clear: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.basic_auth_in_clear import CHECK
from hardenprobe.facts import HttpAnswer, IppPrinter, SettingsPageAnswer
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, tcp_port


def page(port: int = 80, *, tls: bool = False, status: int | None = 200, path: str = "/", **more: Any) -> Any:
    facts = HttpAnswer(tls=tls, path=path, status=status, **more)
    return at(port, facts, protocol="https" if tls else "http", path=path)


def settings(*, tls: bool = False, status: int | None = 200, **more: Any) -> Any:
    facts = SettingsPageAnswer(tls=tls, path="/settings", marker="M", status=status, **more)
    return at(443 if tls else 80, facts, protocol="https" if tls else "http", path="/settings")


def printer(http_status: int | None, **more: Any) -> Any:
    facts = IppPrinter(tls=False, path="/ipp/print", assigned=True, http_status=http_status, **more)
    return at(631, facts, protocol="ipp", path="/ipp/print")


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([page(status=401, authenticate=("basic",))], Word.FAIL, None, id="Basic"),
        pytest.param([page(status=401, authenticate=("digest", "basic"))], Word.FAIL, None, id="Basic beside Digest"),
        pytest.param([page(status=401, authenticate=("basic",), location="https://127.0.9.10/")], Word.FAIL, None,
                     id="trap: Basic that names https as well"),
        pytest.param([page(), settings(status=401, authenticate=("basic",))], Word.FAIL, None, id="settings page"),
        pytest.param([printer(401, authenticate=("basic",))], Word.FAIL, None, id="print service"),
        pytest.param([page(status=401, authenticate=("digest",))], Word.PASS, None, id="Digest"),
        pytest.param([page()], Word.PASS, None, id="none"),
        pytest.param([page(443, tls=True, status=401, authenticate=("basic",)), tcp_port(80, State.REFUSING)],
                     Word.PASS, None, id="only over TLS"),
        pytest.param([page(status=None, fault="closed")], Word.UNKNOWN, Reason.DROPPED, id="closes"),
        pytest.param([printer(None, fault="closed"), tcp_port(80, State.REFUSING)], Word.PASS, None,
                     id="a print service that takes TLS only"),
        pytest.param([tcp_port(80, State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="silent"),
    ],
)  # fmt: skip
def test_branch(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)
