"""The JSON document: nothing is lost on the way there and back, and a wrong one is refused in one line."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any, get_args, get_origin, get_type_hints

import jsonschema
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from hardenprobe import facts, model
from hardenprobe.errors import UsageError
from hardenprobe.facts import HttpAnswer, SnmpAnswer, TcpPort, readable
from hardenprobe.model import Observation, Review, State, document, rows
from hardenprobe.testing import sample_review

# What a device can write, as probes decode it.
said = st.one_of(st.binary(max_size=40).map(readable), st.text(max_size=20))
plain = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | said,
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(said, inner, max_size=2),
    max_leaves=3,
)
st.register_type_strategy(str, said)
st.register_type_strategy(float, st.floats(allow_nan=False, allow_infinity=False))


def built(cls: type[Any]) -> st.SearchStrategy[Any]:
    """Any instance of a record, its lists short; what is Any in it holds plain JSON types."""
    return st.builds(cls, **{name: _field(cls, name, hint) for name, hint in _hints(cls).items()})


def _field(cls: type[Any], name: str, hint: Any) -> st.SearchStrategy[Any]:
    if hint is Any:
        return plain
    if get_origin(hint) is tuple:
        least = 1 if name == "addresses" and cls is model.Device else 0
        return st.lists(st.from_type(get_args(hint)[0]), min_size=least, max_size=1 + least).map(tuple)
    if get_origin(hint) is Mapping:
        key, value = get_args(hint)
        return st.dictionaries(st.from_type(key), _field(cls, name, value), max_size=2)
    return st.from_type(hint)


def _hints(cls: type[Any]) -> dict[str, Any]:
    hints = get_type_hints(cls)
    return {f.name: hints[f.name] for f in fields(cls)}


for _cls in vars(model).values():
    if isinstance(_cls, type) and is_dataclass(_cls) and _cls not in (Observation, Review):
        st.register_type_strategy(_cls, lambda _, cls=_cls: built(cls))

unknown_facts = st.builds(
    document.UnknownFacts, st.just("of-a-plug-in"), st.dictionaries(said, plain, max_size=3)
)
observations = st.builds(
    Observation,
    id=said,
    endpoint=st.none() | st.from_type(model.Endpoint),
    vantage=said,
    asked_at=said,
    facts=st.one_of([built(cls) for _, cls in sorted(document.facts_kinds().items())]) | unknown_facts,
    transcript=st.lists(st.from_type(model.Exchange), max_size=2).map(tuple),
)


@st.composite
def reviews(draw: st.DrawFn) -> Review:
    def few(strategy: st.SearchStrategy[Any]) -> Any:
        return draw(st.lists(strategy, max_size=1).map(tuple))

    devices = draw(st.lists(st.from_type(model.Device), max_size=2, unique_by=lambda d: d.id).map(tuple))
    return Review(
        head=draw(st.from_type(model.Head)),
        coverage=draw(st.from_type(model.Coverage)),
        vantages=few(st.from_type(model.Vantage)),
        devices=devices,
        results=few(st.from_type(model.Result)),
        observations={device.id: few(observations) for device in devices},
        checks=few(st.from_type(model.CheckNote)),
        what_first=few(st.from_type(model.Advice)),
        notices=few(said),
    )


@settings(
    max_examples=40,
    deadline=None,
    phases=(Phase.explicit, Phase.generate),
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(reviews())
@pytest.mark.slow
def test_any_review_comes_back_as_it_was(review: Review) -> None:
    written = document.canonical(document.to_document(review))
    assert document.from_document(json.loads(written)) == review


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(observations, max_size=4))
def test_a_row_is_read_as_its_entries_are(seen: list[Observation[Any]]) -> None:
    entries = [{"device": "dev-1", **document.encode_observation(one)} for one in seen]
    row = document.canonical(entries).decode()
    assert rows.read_observations(row) == seen == document.decode_observations(entries)
    kinds = {entry["kind"] for entry in entries[:2]}
    some = rows.read_some(row, kinds)
    assert [one.id for one in some] == [entry["id"] for entry in entries if entry["kind"] in kinds]
    for one, entry in zip(some, (e for e in entries if e["kind"] in kinds), strict=True):
        assert json.loads(json.dumps(one, default=vars)) == entry


@pytest.mark.parametrize(
    "data",
    [
        {"asked_at": "t", "kind": "tcp-port"},
        {"list": [{"a": 1}, {"asked_at": "t", "device": "d", "id": "x", "kind": "tls-port"}]},
        {"text": ',{"asked_at":"t","kind":"tcp-port","device":"d"'},
        {"id": "x", "kind": "tcp-port"},
    ],
)
def test_facts_that_look_like_an_entry_do_not_confuse_a_row(data: dict[str, Any]) -> None:
    facts_ = document.UnknownFacts("of-a-plug-in", data)
    seen = [
        Observation(id=id, endpoint=None, vantage='"kind":"x","', asked_at="t", facts=one)
        for id, one in (("1", facts_), ("2", TcpPort(state=State.SILENT)), ("3", facts_))
    ]
    entries = [{"device": "dev-1", **document.encode_observation(one)} for one in seen]
    row = document.canonical(entries).decode()
    assert rows.read_observations(row) == seen
    assert [one.id for one in rows.read_some(row, {"tcp-port"})] == ["2"]
    assert [one.id for one in rows.read_some(row, {"of-a-plug-in"})] == ["1", "3"]


@pytest.mark.parametrize("row", ["5", "{}", "[5]", "[{}]", '["]', "", '[{"asked_at":"t","device":"d"}]'])
def test_a_row_that_is_none_is_refused(row: str) -> None:
    with pytest.raises((ValueError, TypeError, LookupError, UsageError)):
        rows.read_observations(row)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.from_type(model.Result), max_size=3))
def test_results_are_written_as_the_canonical_form_has_them(results: list[model.Result]) -> None:
    plain = [document.dump(model.Result, one) for one in results]
    assert rows.results_text(results) == document.canonical(plain).decode()


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=600))
def test_whatever_bytes_a_device_sends_survive(data: bytes) -> None:
    seen = Observation(
        id="o",
        endpoint=None,
        vantage="v",
        asked_at="t",
        facts=TcpPort(state=State.ACCEPTING, greeting=readable(data)),
    )
    stored = json.loads(document.canonical(document.encode_observation(seen)))
    assert document.decode_observations([stored]) == [seen]


@given(st.dictionaries(st.text(), plain, max_size=5))
def test_the_canonical_form_forgets_the_order_of_keys_and_nothing_else(obj: dict[str, Any]) -> None:
    turned = dict(reversed(obj.items()))
    assert document.canonical(turned) == document.canonical(obj)
    assert json.loads(document.canonical(obj)) == obj


def test_the_canonical_form_is_the_published_one() -> None:
    assert document.canonical({"b": [1, None], "a": "é\n"}) == '{"a":"é\\n","b":[1,null]}'.encode()
    # SHA-256 of the two bytes "{}".
    assert document.digest({}) == "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"


@pytest.mark.parametrize("value", [float("nan"), float("inf"), {1, 2}, b"bytes"])
def test_what_is_not_json_has_no_canonical_form(value: object) -> None:
    with pytest.raises(ValueError):
        document.canonical({"value": value})


def test_the_document_has_the_keys_of_the_contract() -> None:
    doc = document.to_document(sample_review(2))
    assert doc["format"] == "hardenprobe.review/1"
    assert list(doc) == [
        "format", "review", "coverage", "vantages", "devices", "results", "observations",
        "checks", "what_first", "notices", "exceptions", "statements",
    ]  # fmt: skip
    assert set(doc["review"]) >= {
        "id", "started", "finished", "operator", "scope", "reach", "plan_hash", "previous", "versions", "cost",
        "port_offset", "previous_digest", "judged_from",
    }  # fmt: skip
    assert set(doc["coverage"]) >= {
        "planned", "visited", "answered", "listed_not_seen", "seen_not_listed", "excluded", "unfinished",
        "tcp_ports", "udp_ports",
    }  # fmt: skip
    assert set(doc["devices"][0]) >= {
        "id", "addresses", "names", "kind", "make_model", "baseline", "identity", "services", "cost",
        "asset_tag", "place", "owner", "criticality", "tags", "label",
    }  # fmt: skip
    assert set(doc["results"][0]) >= {
        "finding", "device", "check", "check_version", "origin", "endpoint", "subject", "vantage", "result",
        "reason", "score", "severity", "vector", "observed", "expected", "rule_set", "controls", "observations",
        "exception", "remedy",
    }  # fmt: skip
    assert list(doc["observations"][0]) == [
        "device", "id", "kind", "endpoint", "vantage", "asked_at", "facts", "transcript", "packets", "sockets"
    ]  # fmt: skip
    assert doc["devices"][0]["label"] == sample_review(2).devices[0].label


def test_facts_of_an_unknown_kind_stay_readable_and_come_back_unchanged() -> None:
    entry = document.encode_observation(next(iter(sample_review(1).observations.values()))[0])
    foreign = {**entry, "kind": "of-a-plug-in", "facts": {"anything": [1, {"deep": None}]}}
    [seen] = document.decode_observations([foreign])
    assert seen.facts == document.UnknownFacts("of-a-plug-in", {"anything": [1, {"deep": None}]})
    assert seen.kind == "of-a-plug-in"
    assert document.encode_observation(seen) == foreign


def test_observations_of_mixed_kinds_keep_their_order() -> None:
    mixed = [o for seen in sample_review(3).observations.values() for o in seen]
    assert len({o.kind for o in mixed}) > 1
    assert document.decode_observations([document.encode_observation(o) for o in mixed]) == mixed


def _broken(path: tuple[str | int, ...], value: Any) -> dict[str, Any]:
    doc = json.loads(json.dumps(document.to_document(sample_review(2))))
    at = doc
    for part in path[:-1]:
        at = at[part]
    at[path[-1]] = value
    return doc  # type: ignore[no-any-return]


@pytest.mark.parametrize(
    ("path", "value", "named"),
    [
        (("format",), "hardenprobe.review/9", "format"),
        (("extra",), 1, "extra"),
        (("review", "reach"), "far", "review.reach"),
        (("devices",), {}, "devices"),
        (("devices", 1, "addresses"), "127.0.0.1", "devices[1].addresses"),
        (("results", 0, "score"), "7.8", "results[0].score"),
        (("results", 0, "score"), float("nan"), "results[0].score"),
        (("results", 0, "result"), "passed", "results[0].result"),
        (("results", 0, "endpoint", "port"), 23.5, "results[0].endpoint.port"),
        (("observations",), None, "observations"),
        (("observations", 1, "device"), None, "observations[1].device"),
        (("observations", 1, "kind"), 3, "observations[1].kind"),
        (("observations", 1, "facts", "more"), 3, "observations[1].facts.more"),
        (("observations", 1), [], "observations[1].device"),
        (("results", 0, "\x1b[31m\u202e"), 1, "results[0].'\\x1b[31m\\u202e'"),
    ],
)
def test_a_wrong_document_is_refused_in_one_line_that_names_the_path(
    path: Any, value: Any, named: str
) -> None:
    with pytest.raises(UsageError) as caught:
        document.from_document(_broken(path, value))
    assert f"review document: {named}:" in str(caught.value)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("doc", [None, [], "text", {}, {"format": "hardenprobe.review/1"}])
def test_something_else_than_a_document_is_refused(doc: object) -> None:
    with pytest.raises(UsageError):
        document.from_document(doc)


def test_a_text_that_utf8_cannot_hold_is_refused() -> None:
    with pytest.raises(UsageError, match="review document"):
        document.from_document(_broken(("review", "operator"), "\ud800"))


def test_the_shipped_schema_is_up_to_date() -> None:
    shipped = json.loads(document.SCHEMA_FILE.read_text(encoding="utf-8"))
    assert shipped == document.schema(), (
        'stale: python -c "from hardenprobe.model import document as codec; codec.write_schema()"'
    )


@pytest.mark.parametrize("hostile", [False, True])
@pytest.mark.slow
def test_the_schema_admits_what_is_written(hostile: bool) -> None:
    validator = jsonschema.Draft202012Validator(document.schema())
    validator.check_schema(document.schema())
    validator.validate(document.to_document(sample_review(4, hostile=hostile)))


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("review", "reach"), "far"),
        (("results", 0, "more"), 1),
        (("observations", 0, "facts", "more"), 3),
        (("devices", 0, "label"), None),
    ],
)
def test_the_schema_refuses_what_the_reader_refuses(path: Any, value: Any) -> None:
    validator = jsonschema.Draft202012Validator(document.schema())
    assert not validator.is_valid(_broken(path, value))


def test_the_schema_is_the_same_whatever_plug_ins_are_loaded(monkeypatch: pytest.MonkeyPatch) -> None:
    before = document.schema()

    @dataclass(frozen=True)
    class Foreign:
        kind = "of-a-plug-in"
        seen: bool

    monkeypatch.setitem(facts.KINDS, "of-a-plug-in", Foreign)
    assert document.schema() == before


def test_facts_of_a_plug_in_are_decoded_by_their_kind(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(facts.KINDS, "of-a-plug-in", PlugIn)
    seen = Observation(
        id="o", endpoint=None, vantage="v", asked_at="t", facts=PlugIn(seen=True, ports=(1, 2))
    )
    assert document.decode_observations([document.encode_observation(seen)]) == [seen]


@dataclass(frozen=True, kw_only=True)
class PlugIn:
    seen: bool
    ports: tuple[int, ...]
    kind = "of-a-plug-in"


def test_importing_codec_does_not_import_pydantic() -> None:
    code = "import sys, hardenprobe.model.document; sys.exit('pydantic' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_review_of_facts_with_mappings_and_lists_comes_back() -> None:
    review = sample_review(1)
    (device,) = review.observations
    more = (
        Observation(id="a", endpoint=None, vantage="v", asked_at="t",
                    facts=SnmpAnswer(version="1", label="public", origin="default", state=State.ACCEPTING,
                                     values={"1.3.6.1.2.1.1.1.0": "x"})),
        Observation(id="b", endpoint=None, vantage="v", asked_at="t",
                    facts=HttpAnswer(tls=False, path="/", status=200, authenticate=("basic", "digest"))),
    )  # fmt: skip
    review = replace(review, observations={device: more})
    assert document.from_document(document.to_document(review)) == review
