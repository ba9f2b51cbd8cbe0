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
        pytest.param(answer(401, authenticate=("basic",)), Word.FAIL, None, "basic in cleartext", id="401"),
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
            answer(302, location="http://x/"), Word.FAIL, None, "stays in cleartext", id="redirect to http"
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
            id="content",
        ),
        pytest.param(answer(403), Word.PASS, None, "without a form", id="403 without a form"),
        *(
            pytest.param(answer(status), Word.UNKNOWN, Reason.INCONCLUSIVE, "says nothing", id=str(status))
            for status in (304, 400, 404, 405, 429, 500, 503)
        ),
        pytest.param(answer(200, 631, title="Settings"), Word.FAIL, None, "'Settings'", id="settings on 631"),
        pytest.param(
            answer(200, leads_to="https://127.0.9.10/"),
            Word.INFORMATIONAL,
            None,
            "does nothing but send",
            id="a page that leads to https by itself",
        ),
        *(
            pytest.param(answer(200, **more), Word.FAIL, None, "200", id=f"trap: it leads away and {name}")
            for name, more in {
                "holds a form": {"leads_to": "https://127.0.9.10/", "form": True},
                "links further": {"leads_to": "https://127.0.9.10/", "links": ("/", "/network")},
                "names another host": {"leads_to": "https://elsewhere.example/"},
                "stays in cleartext": {"leads_to": "http://127.0.9.10/login", "links": ("/login",)},
                "names no host": {"leads_to": "https://["},
            }.items()
        ),
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
        pytest.param(
            [tcp_port(631), answer(404, 631)], Word.PASS, None, id="trap: no page at the port of IPP"
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


def learned(status: int | None, path: str = "/network", how: str = "link", **more: Any) -> Any:
    return answer(status, path=path, learned=how, **more)


TO_HTTPS = {"location": "https://127.0.9.10/"}


@pytest.mark.parametrize(
    ("observations", "words"),
    [
        pytest.param([answer(301, **TO_HTTPS), learned(200, how="tls")], ["pass", "fail"],
                     id="the first page redirects and the settings do not"),
        pytest.param([answer(301, **TO_HTTPS), learned(301, how="tls", **TO_HTTPS)], ["pass"], id="all redirect"),
        pytest.param([answer(301, **TO_HTTPS), learned(404, how="tls")], ["pass"], id="the other is not there"),
        pytest.param([answer(301, **TO_HTTPS), learned(None, how="tls", fault="silent")], ["pass", "unknown"],
                     id="the other says nothing"),
        pytest.param([answer(301, **TO_HTTPS), learned(200, how="tls", method="HEAD")], ["pass", "fail"],
                     id="a form goes to clear text"),
        pytest.param([answer(403), learned(401), learned(200, "/b")], ["pass", "fail"], id="one finding a port"),
        pytest.param([answer(200), learned(200)], ["fail"], id="the first page fails already"),
        pytest.param([answer(302, location="/start", links=("/start",)), learned(301, "/start", **TO_HTTPS)],
                     ["pass"], id="a chain to https on the device"),
        pytest.param([answer(302, location="/start", links=("/start",)), learned(200, "/start")], ["fail"],
                     id="a chain in clear"),
        pytest.param([answer(404), answer(403, path="/b")], ["pass", "pass"], id="404 beside another answer"),
        pytest.param([answer(404), learned(200)], ["unknown", "fail"], id="404, and content elsewhere"),
    ],
)  # fmt: skip
def test_paths_that_were_learned(observations: list[Observation[Any]], words: list[str]) -> None:
    outcomes = CHECK.judge(seen_device(tcp_port(80), *observations), NoSettings())
    assert [str(o.word) for o in outcomes] == words


@given(location=st.none() | st.text() | st.sampled_from(HOSTILE), status=st.integers(300, 308))
def test_no_location_makes_it_break_and_only_https_passes_a_redirect(
    location: str | None, status: int
) -> None:
    (outcome,) = CHECK.judge(seen_device(answer(status, location=location)), NoSettings())
    if status in (301, 302, 303, 307, 308):
        goes = (location or "").strip().lower().startswith("https:")
        assert outcome.word is (Word.PASS if goes else Word.FAIL)
