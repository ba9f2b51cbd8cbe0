"""cleartext-http-management: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.cleartext_http_management import CHECK
from hardenprobe.facts import HttpAnswer
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import HOSTILE, at, seen_device, tcp_port


def answer(status: int | None, port: int = 80, *, tls: bool = False, path: str = "/", **more: Any) -> Any:
    facts = HttpAnswer(tls=tls, path=path, status=status, **more)
    return at(port, facts, protocol="https" if tls else "http", path=path)


@pytest.mark.parametrize(
    ("observation", "word", "reason", "says"),
    [
        pytest.param(answer(200, title="Settings"), Word.FAIL, None, "'Settings'", id="2xx content"),
        pytest.param(answer(200), Word.FAIL, None, "content", id="2xx content without a title"),
        pytest.param(
            answer(200, form=True, password_field=True), Word.FAIL, None, "password", id="a sign-in form"
        ),
        pytest.param(answer(401, authenticate=("basic",)), Word.FAIL, None, "basic in clear", id="401"),
        pytest.param(answer(401), Word.FAIL, None, "credentials", id="401 without a scheme"),
        pytest.param(
            answer(301, location="https://127.0.9.10/"), Word.PASS, None, "to https", id="redirect to https"
        ),
        pytest.param(
            answer(308, location=" HTTPS://x"),
            Word.PASS,
            None,
            "to https",
            id="redirect to HTTPS, upper case",
        ),
        pytest.param(
            answer(302, location="http://x/"), Word.FAIL, None, "stays in clear", id="redirect to http"
        ),
        pytest.param(answer(302, location="/login"), Word.FAIL, None, "stays", id="redirect to a path"),
        pytest.param(answer(302), Word.FAIL, None, "stays", id="redirect to nowhere"),
        pytest.param(
            answer(302, location="http://["), Word.FAIL, None, "stays", id="redirect to a hostile location"
        ),
        pytest.param(
            answer(200, title="moved"),
            Word.FAIL,
            None,
            "moved",
            id="a meta refresh or a script is no redirect",
        ),
        pytest.param(answer(403), Word.PASS, None, "without a form", id="403 without a form"),
        pytest.param(answer(404), Word.PASS, None, "without a form", id="404"),
        pytest.param(answer(426), Word.PASS, None, "without a form", id="426"),
        pytest.param(answer(403, form=True), Word.FAIL, None, "with a form", id="403 with a form"),
        pytest.param(
            answer(None, fault="closed"), Word.UNKNOWN, Reason.DROPPED, "no HTTP", id="closes at a request"
        ),
        pytest.param(
            answer(None, fault="not HTTP: x"), Word.UNKNOWN, Reason.INCONCLUSIVE, "no HTTP", id="not HTTP"
        ),
    ],
)
def test_branch(observation: Observation[Any], word: Word, reason: Reason | None, says: str) -> None:
    (outcome,) = CHECK.judge(seen_device(tcp_port(80), observation), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)
    assert says in outcome.observed.text
    assert outcome.proof == (observation.id,)


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([tcp_port(80, State.REFUSING)], Word.PASS, None, id="reset"),
        pytest.param([tcp_port(80)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="protocol not recognised"),
        pytest.param([tcp_port(80, State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="device not proven alive"),
        pytest.param(
            [tcp_port(80, State.REFUSING), tcp_port(443), answer(200, 443, tls=True)],
            Word.PASS,
            None,
            id="https only",
        ),
    ],
)
def test_without_plain_http(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)


def test_each_path_is_an_endpoint_of_its_own() -> None:
    seen = seen_device(answer(200), answer(403, path="/status"))
    assert [(o.word, o.endpoint and o.endpoint.path) for o in CHECK.judge(seen, NoSettings())] == [
        (Word.FAIL, "/"),
        (Word.PASS, "/status"),
    ]


@given(location=st.none() | st.text() | st.sampled_from(HOSTILE), status=st.integers(300, 308))
def test_no_location_makes_it_break_and_only_https_passes_a_redirect(
    location: str | None, status: int
) -> None:
    (outcome,) = CHECK.judge(seen_device(answer(status, location=location)), NoSettings())
    if status in (301, 302, 303, 307, 308):
        goes = (location or "").strip().lower().startswith("https:")
        assert outcome.word is (Word.PASS if goes else Word.FAIL)
