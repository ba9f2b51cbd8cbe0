"""OSCAL assessment results, against the models of a registry library and what the metaschema requires beyond them."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from trestle.oscal import OSCAL_VERSION
from trestle.oscal.assessment_results import Model
from trestle.oscal.common import Property

from hardenprobe.model import Cost, Review, Word
from hardenprobe.reports import oscal
from hardenprobe.reports.oscal_parts import control_id, markup, moment, prop
from hardenprobe.testing import HOSTILE, sample_review

Written = Callable[[str, Any], bytes]

# NIST OSCAL 1.2, metaschema of assessment results and of what assessments share: fields with min-occurs 1. The key is
# the field that holds the object, or the list of objects.
REQUIRED = {
    "assessment-results": {"uuid", "metadata", "import-ap", "results"},
    "metadata": {"title", "last-modified", "version", "oscal-version"},
    "import-ap": {"href"},
    "results": {"uuid", "title", "description", "start", "reviewed-controls"},
    "reviewed-controls": {"control-selections"},
    "include-controls": {"control-id"},
    "inventory-items": {"uuid", "description"},
    "assessment-assets": {"assessment-platforms"},
    "assessment-platforms": {"uuid"},
    "components": {"uuid", "type", "title", "description", "status"},
    "observations": {"uuid", "description", "methods", "collected"},
    "relevant-evidence": {"description"},
    "subjects": {"subject-uuid", "type"},
    "actors": {"type", "actor-uuid"},
    "risks": {"uuid", "title", "description", "statement", "status"},
    "characterizations": {"origin", "facets"},
    "facets": {"name", "system", "value"},
    "mitigating-factors": {"uuid", "description"},
    "remediations": {"uuid", "lifecycle", "title", "description"},
    "findings": {"uuid", "title", "description", "target"},
    "target": {"type", "target-id", "status"},
    "resources": {"uuid"},
    "props": {"name", "value"},
    "links": {"href"},
}

# The same metaschema: values that it names for a field.
METHODS = {"EXAMINE", "INTERVIEW", "TEST", "UNKNOWN"}
TYPES = {"ssp-statement-issue", "control-objective", "mitigation", "finding", "historic"}
RISKS = {"open", "investigating", "remediating", "deviation-requested", "deviation-approved", "closed"}


def document(written: Written, review: Review) -> dict[str, Any]:
    return json.loads(written("oscal", review))["assessment-results"]


@pytest.fixture(params=[False, True], ids=["plain", "hostile"])
def review(request: pytest.FixtureRequest) -> Review:
    return sample_review(8, hostile=request.param)


def objects(value: Any, key: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every object with the field that holds it."""
    if isinstance(value, dict):
        yield key, value
        for name, inner in value.items():
            yield from objects(inner, name)
    elif isinstance(value, list):
        for inner in value:
            yield from objects(inner, key)


def prop_of(one: dict[str, Any], name: str) -> str | None:
    return next((each["value"] for each in one.get("props", ()) if each["name"] == name), None)


def test_the_published_models_take_it(written: Written, review: Review) -> None:
    text = written("oscal", review)
    parsed = Model.model_validate_json(text)
    assert OSCAL_VERSION == oscal.VERSION
    determined = [r for r in review.results if r.result in (Word.PASS, Word.FAIL, Word.INFORMATIONAL)]
    answered = [one for one in review.statements if one.answer and one.devices]
    assert len(parsed.assessment_results.results[0].observations) == len(determined) + len(answered)
    broken = json.loads(text)
    del broken["assessment-results"]["results"][0]["observations"][0]["collected"]
    with pytest.raises(ValidationError):
        Model.model_validate(broken)


def test_every_required_field_is_there_and_nothing_is_empty(written: Written, review: Review) -> None:
    seen = set()
    for key, one in objects({"assessment-results": document(written, review)}):
        assert REQUIRED.get(key, set()) <= one.keys(), key
        assert all(value not in ([], {}, "") for value in one.values()), (key, one)
        seen.add(key)
    assert seen >= REQUIRED.keys()


def test_values_are_those_that_the_metaschema_names(written: Written, review: Review) -> None:
    (result,) = document(written, review)["results"]
    assert {method for one in result["observations"] for method in one["methods"]} <= METHODS
    assert {type for one in result["observations"] for type in one["types"]} <= TYPES
    assert {one["status"] for one in result["risks"]} == {"open", "deviation-approved"} <= RISKS
    assert {one["target"]["type"] for one in result["findings"]} == {"objective-id"}


def test_identifiers_are_unique_and_every_reference_leads_somewhere(written: Written, review: Review) -> None:
    whole = document(written, review)
    held = [one["uuid"] for _, one in objects(whole) if "uuid" in one]
    assert len(held) == len(set(held))
    # RFC 9562: version 5, variant 10xx.
    assert all(
        re.fullmatch(r"[0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}", one)
        for one in held
    )
    named = {
        value.removeprefix("#")
        for _, one in objects(whole)
        for key, value in one.items()
        if key == "href" or (key.endswith("-uuid") and isinstance(value, str))
    }
    assert named <= set(held)


def test_a_finding_is_linked_to_its_risk_its_proof_its_device_and_its_controls(written: Written) -> None:
    review = sample_review(8)
    (result,) = document(written, review)["results"]
    observation = {one["uuid"]: one for one in result["observations"]}
    risk = {one["uuid"]: one for one in result["risks"]}
    device = {one["uuid"]: one for one in result["local-definitions"]["inventory-items"]}
    known = {one.finding: one for one in review.findings}
    assert len(result["risks"]) == len(known)
    assert len(result["findings"]) == 2 * len(known)  # each names two controls
    for finding in result["findings"]:
        of = known[prop_of(finding, "finding")]
        assert finding["target"]["target-id"] in ("sc-8_obj", "cm-7_obj")
        (linked,) = finding["related-risks"]
        assert prop_of(risk[linked["risk-uuid"]], "finding") == of.finding
        (proof,) = finding["related-observations"]
        seen = observation[proof["observation-uuid"]]
        assert prop_of(seen, "check") == of.check
        (subject,) = seen["subjects"]
        assert prop_of(device[subject["subject-uuid"]], "device") == of.device
        (evidence,) = seen["relevant-evidence"]
        assert [one["value"] for one in evidence["props"]] == list(of.observations)
    chosen = result["reviewed-controls"]["control-selections"][0]["include-controls"]
    assert [one["control-id"] for one in chosen] == ["cm-7", "sc-8"]


def test_a_scan_never_says_that_a_control_is_satisfied(written: Written) -> None:
    passing = replace(sample_review(4))
    passing = replace(
        passing, results=tuple(r for r in passing.results if r.result is Word.PASS), what_first=()
    )
    assert passing.results
    for review in (sample_review(8), passing, sample_review(0)):
        (result,) = document(written, review)["results"]
        assert all(
            one["target"]["status"] == {"state": "not-satisfied", "reason": "fail"}
            for one in result.get("findings", ())
        )
    (result,) = document(written, passing)["results"]
    assert not result.keys() & {"findings", "risks"}
    assert b'"satisfied"' not in written("oscal", passing)


def test_what_was_not_determined_is_no_test_and_what_nobody_answered_no_interview(written: Written) -> None:
    """NIST SP 800-53A Rev. 5, section 2.4: to test is to exercise an object; to interview, to hold a discussion."""
    review = sample_review(8)
    (result,) = document(written, review)["results"]
    words = {prop_of(one, "result") for one in result["observations"] if prop_of(one, "result")}
    assert words == {"pass", "fail", "informational"}
    open_ones = [r for r in review.results if r.result in (Word.UNKNOWN, Word.ERROR, Word.NOTCHECKED)]
    assert prop_of(result, "results-not-determined") == str(len(open_ones)) != "0"
    assert all(prop_of(one, "answer") for one in result["observations"] if "INTERVIEW" in one["methods"])
    unanswered = sum(not one.answer for one in review.statements)
    assert prop_of(result, "attestations-not-answered") == str(unanswered) != "0"
    failed = {prop_of(one, "finding") for one in result["findings"]}
    assert failed == {one.finding for one in review.findings}


def test_only_a_device_that_answered_was_scanned(written: Written) -> None:
    sample = sample_review(2)
    gone = replace(sample.devices[1], services=(), cost=Cost())
    (result,) = document(written, replace(sample, devices=(sample.devices[0], gone)))["results"]
    items = result["local-definitions"]["inventory-items"]
    assert [prop_of(one, "is-scanned") for one in items] == ["yes", "no"]


def test_a_port_shows_nothing_of_support_or_of_authority_over_personal_data(written: Written) -> None:
    one = sample_review(1)
    failed = replace(one.findings[0], controls=("SA-22", "SC-8(1)", "PT-2"))
    (result,) = document(written, replace(one, results=(failed,)))["results"]
    assert [prop_of(each["target"], "control-id") for each in result["findings"]] == ["sc-8.1"]
    chosen = result["reviewed-controls"]["control-selections"][0]["include-controls"]
    assert chosen == [{"control-id": "sc-8.1"}]


def test_an_observation_was_collected_when_it_was_made(written: Written) -> None:
    review = sample_review(2)
    asked = {o.id: o.asked_at for seen in review.observations.values() for o in seen}
    (result,) = document(written, review)["results"]
    proven = [one for one in result["observations"] if "relevant-evidence" in one]
    for one in proven:
        ids = [each["value"] for each in one["relevant-evidence"][0]["props"]]
        assert one["collected"] == moment(min(asked[id] for id in ids))
    assert proven


def test_an_exception_is_a_deviation_with_its_day_and_what_mitigates(written: Written) -> None:
    review = sample_review(8)
    (result,) = document(written, review)["results"]
    accepted = [one for one in result["risks"] if one["status"] == "deviation-approved"]
    assert len(accepted) == sum(one.exception is not None for one in review.findings) > 0
    for one in accepted:
        assert one["deadline"] == "2026-06-30T00:00:00+00:00"
        assert prop_of(one, "exception") == "E-4"
        assert one["mitigating-factors"]


def test_two_vantage_points_prove_one_finding(written: Written) -> None:
    one = sample_review(1)
    first = one.findings[0]
    both = replace(one, results=(first, replace(first, vantage="guest")))
    (result,) = document(written, both)["results"]
    (risk,) = result["risks"]
    assert len(risk["related-observations"]) == 2
    assert len(result["findings"]) == 2


# NIST's OSCAL catalogue of SP 800-53 Rev. 5: the identifiers of these controls.
@pytest.mark.parametrize(
    ("control", "id"),
    [
        ("SC-8(1)", "sc-8.1"),
        ("AC-17(2)", "ac-17.2"),
        ("CM-7", "cm-7"),
        ("SP 800-53 IA-5(1)", "ia-5.1"),
        ("chapter 4", None),
    ],
)
def test_controls_have_the_identifiers_of_the_catalogue(control: str, id: str | None) -> None:
    assert control_id(control) == id


@given(st.text() | st.sampled_from(HOSTILE))
def test_any_text_can_be_a_property(text: str) -> None:
    for one in prop("name", text):
        Property.model_validate(one)
    assert markup(text).strip()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("2026-03-02T21:00:00Z", "2026-03-02T21:00:00+00:00"),
        ("2026-03-02", "2026-03-02T00:00:00+00:00"),
        ("yesterday", "1970-01-01T00:00:00+00:00"),
        (None, "1970-01-01T00:00:00+00:00"),
    ],
)
def test_every_time_has_a_zone(text: str | None, said: str) -> None:
    assert moment(text) == said


def test_the_same_review_gives_the_same_bytes(written: Written) -> None:
    assert written("oscal", sample_review(3)) == written("oscal", sample_review(3))
