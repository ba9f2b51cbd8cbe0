"""settings-page-open: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.settings_page_open import CHECK
from hardenprobe.facts import ControlPageAnswer, HttpAnswer, SettingsPageAnswer
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, tcp_port


def settings(*, tls: bool = False, status: int | None = 200, **more: Any) -> Any:
    facts = SettingsPageAnswer(tls=tls, path="/settings", marker="<h1>S</h1>", status=status, **more)
    return at(443 if tls else 80, facts, protocol="https" if tls else "http", path="/settings")


@pytest.mark.parametrize(
    ("observation", "word", "reason"),
    [
        pytest.param(settings(marker_found=True), Word.FAIL, None, id="marker"),
        pytest.param(settings(marker_found=True, tls=True), Word.FAIL, None, id="marker over TLS"),
        pytest.param(settings(password_field=True), Word.PASS, None, id="trap: 200 and the sign-in form"),
        pytest.param(settings(status=401), Word.PASS, None, id="401"),
        pytest.param(settings(status=403), Word.PASS, None, id="403"),
        pytest.param(settings(marker_found=True, password_field=True), Word.UNKNOWN, Reason.INCONCLUSIVE,
                     id="marker beside a password field"),
        pytest.param(settings(), Word.UNKNOWN, Reason.INCONCLUSIVE, id="200 without the marker"),
        pytest.param(settings(status=404), Word.UNKNOWN, Reason.INCONCLUSIVE, id="404"),
        pytest.param(settings(status=404, marker_found=True), Word.UNKNOWN, Reason.INCONCLUSIVE, id="marker under 404"),
        pytest.param(settings(status=301, location="https://x/"), Word.UNKNOWN, Reason.INCONCLUSIVE,
                     id="redirect to https that was not asked"),
        pytest.param(settings(status=302, location="/login"), Word.UNKNOWN, Reason.INCONCLUSIVE, id="redirect"),
        pytest.param(settings(status=None, fault="closed"), Word.UNKNOWN, Reason.DROPPED, id="closes"),
    ],
)  # fmt: skip
def test_branch(observation: Observation[Any], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(observation), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)
    assert outcome.proof == (observation.id,)


def control(**more: Any) -> Any:
    facts = ControlPageAnswer(tls=False, path="/none", **{"status": 404, **more})
    return at(80, facts, protocol="http", path="/none")


@pytest.mark.parametrize(
    ("page", "control", "word"),
    [
        pytest.param(
            settings(marker_found=True), control(), Word.FAIL, id="the marker is on that page alone"
        ),
        pytest.param(
            settings(marker_found=True),
            control(markers=("<h1>S</h1>",)),
            Word.UNKNOWN,
            id="the marker is everywhere",
        ),
        pytest.param(
            settings(marker_found=True), control(markers=("other",)), Word.FAIL, id="another page's marker"
        ),
        pytest.param(settings(password_field=True), control(), Word.PASS, id="a form on that page alone"),
        pytest.param(
            settings(password_field=True),
            control(status=200, password_field=True),
            Word.UNKNOWN,
            id="every path shows the form, so the page is not shown to exist",
        ),
        pytest.param(
            settings(status=401), control(status=401), Word.PASS, id="every path asks for credentials"
        ),
        pytest.param(settings(status=401), control(status=None), Word.PASS, id="no answer to the control"),
    ],
)
def test_a_path_that_cannot_exist_is_the_control(page: Any, control: Any, word: Word) -> None:
    assert [o.word for o in CHECK.judge(seen_device(page, control), NoSettings())] == [word]


def test_the_control_of_another_port_counts_for_nothing() -> None:
    elsewhere = at(8080, control(markers=("<h1>S</h1>",)).facts, protocol="http")
    seen = seen_device(settings(marker_found=True), elsewhere)
    assert [o.word for o in CHECK.judge(seen, NoSettings())] == [Word.FAIL]


def test_a_redirect_to_https_passes_where_https_was_asked() -> None:
    seen = seen_device(settings(status=301, location="https://x/"), settings(tls=True, marker_found=True))
    assert [o.word for o in CHECK.judge(seen, NoSettings())] == [Word.PASS, Word.FAIL]


@pytest.mark.parametrize(
    ("observation", "word"),
    [
        (tcp_port(80, State.REFUSING), Word.NOTAPPLICABLE),
        (tcp_port(80, State.SILENT), Word.UNKNOWN),
        (at(80, HttpAnswer(tls=False, path="/", status=200), protocol="http"), Word.UNKNOWN),
    ],
    ids=["no web server", "silent", "the baseline lists no page"],
)
def test_without_a_page(observation: Observation[Any], word: Word) -> None:
    assert [o.word for o in CHECK.judge(seen_device(observation), NoSettings())] == [word]
