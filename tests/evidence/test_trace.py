"""A finding traced: everything that an auditor asks about it is on one screen."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from hardenprobe.errors import UsageError
from hardenprobe.evidence import reading, trace
from hardenprobe.model import Authorisation, InputFile, Named, Reach, Review, Said
from hardenprobe.model.document import canonical, to_document
from hardenprobe.testing import sample_review

RULES = b"expect:\n  cleartext-telnet: {allowed_ports: [2323]}\n"


@pytest.fixture
def review() -> Review:
    """Two devices that share a key, as the sample's first check has it here, and the baseline that judged them."""
    sample = sample_review(2)
    first, second = sample.devices
    file = InputFile.of("baseline", "site.yaml", RULES, "b" * 64)
    found = [next(r for r in sample.findings if r.device == one.id) for one in (first, second)]
    shared = [
        replace(
            r,
            check="cleartext-telnet",
            subject="k",
            observed=Said(text="shares", value={"devices": [other.id]}),
        )
        for r, other in zip(found, (second, first), strict=True)
    ]
    allowed = Authorisation(
        file_hash="a" * 64, authorised_by="Imke Sandvoort", until="2026-12-31", networks=(), public=(), excluded=(),
        leased=(), sources=(), window=None, stop_file=None, reach=Reach.ASK, grants=None, gentleness={}, contacts=(),
        abort=(),
    )  # fmt: skip
    return replace(
        sample,
        head=replace(sample.head, inputs=(file.used,), authorisation=allowed, stated_operator="Office audit"),
        devices=tuple(replace(one, baseline=Named(name="site/1", hash="b" * 64)) for one in sample.devices),
        results=tuple(shared),
    )


def shown(review: Review, used: Any = None) -> tuple[str, Review]:
    document = canonical(to_document(review))
    one, name = reading.one_device(lambda: [document], review.results[0].finding)
    return "\n".join(trace.lines(one, name, used)), one


def test_fact_rule_baseline_operator_authority_version_and_clock(review: Review) -> None:
    text, _ = shown(review, lambda _: RULES)
    head, seen = review.head, {o.id: o for held in review.observations.values() for o in held}
    proof = seen[review.results[0].observations[0]]
    for said in (
        f"  baseline  site/1, SHA-256 {'b' * 64}",
        '  decides   {"allowed_ports": [2323]} in site.yaml',
        f"  operator  Office audit (account {head.operator})",
        f"  allowed   by Imke Sandvoort until 2026-12-31, test level ask, scope file SHA-256 {'a' * 64}",
        f"hardenprobe {head.versions['hardenprobe']}",
        "offset not measured",
        f"  plan      SHA-256 {head.plan_hash}",
        f"  observation {proof.id}: {proof.kind}",
        '    facts     {"',
    ):
        assert said in text
    assert all(line.isprintable() for line in text.splitlines())


def test_the_part_of_the_other_devices_is_there(review: Review) -> None:
    text, one = shown(review)
    other = review.results[1]
    assert f"The part of {review.devices[1].label}: finding {other.finding}" in text
    assert f"observation {other.observations[0]}" in text
    assert len(one.results) == 2 and "is not in here" not in text


def test_a_baseline_that_is_not_at_hand_is_not_made_up(review: Review) -> None:
    def gone(_: Any) -> bytes:
        raise UsageError("not at hand")

    assert "allowed_ports" not in shown(review, gone)[0]
    assert "  decides" not in shown(review)[0]


def test_a_value_that_names_nobody_finds_nobody(review: Review) -> None:
    for value in ({"devices": "dev-1"}, ["no such device"], [[1]], 7, None):
        odd = replace(review.results[0], observed=Said(text="x", value=json.loads(json.dumps(value))))
        text, one = shown(replace(review, results=(odd, *review.results[1:])))
        assert len(one.results) == 1 and "The part of" not in text
