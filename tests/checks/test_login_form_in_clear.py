"""login-form-in-clear: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.login_form_in_clear import CHECK
from hardenprobe.facts import HttpAnswer, SettingsPageAnswer
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, tcp_port


def page(port: int = 80, *, tls: bool = False, status: int | None = 200, path: str = "/", **more: Any) -> Any:
    facts = HttpAnswer(tls=tls, path=path, status=status, **more)
    return at(port, facts, protocol="https" if tls else "http", path=path)


def settings(*, tls: bool = False, status: int | None = 200, **more: Any) -> Any:
    facts = SettingsPageAnswer(tls=tls, path="/settings", marker="M", status=status, **more)
    return at(443 if tls else 80, facts, protocol="https" if tls else "http", path="/settings")


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([page(password_field=True, form=True)], Word.FAIL, None, id="a form on the first page"),
        pytest.param([page(status=403, password_field=True)], Word.FAIL, None, id="a form under 403"),
        pytest.param([page(), settings(password_field=True)], Word.FAIL, None, id="on a settings page"),
        pytest.param([page(form=True)], Word.PASS, None, id="trap: a form without a password field"),
        pytest.param([page(status=301, location="https://x/")], Word.PASS, None, id="a redirect"),
        pytest.param([page(443, tls=True, password_field=True), tcp_port(80, State.REFUSING)], Word.PASS, None,
                     id="only over TLS"),
        pytest.param([page(status=None, fault="closed")], Word.UNKNOWN, Reason.DROPPED, id="closes"),
        pytest.param([page(status=None, fault="silent")], Word.UNKNOWN, Reason.SILENT, id="silent"),
        pytest.param([page(status=None, fault="not HTTP")], Word.UNKNOWN, Reason.INCONCLUSIVE, id="not HTTP"),
        pytest.param([tcp_port(80)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="accepts"),
        pytest.param([tcp_port(80, State.REFUSING)], Word.PASS, None, id="reset"),
    ],
)  # fmt: skip
def test_branch(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)


def test_each_port_is_judged_once_and_names_its_paths() -> None:
    seen = seen_device(page(password_field=True), settings(password_field=True), page(8080))
    first, second = CHECK.judge(seen, NoSettings())
    assert (first.word, first.observed.value) == (Word.FAIL, ["/", "/settings"])
    assert (second.word, second.endpoint and second.endpoint.port) == (Word.PASS, 8080)
