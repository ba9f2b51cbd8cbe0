"""Temporal and environmental scores: where their metrics come from, and what they change."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.baseline import baseline
from hardenprobe.devices import inventory
from hardenprobe.errors import FileInvalid
from hardenprobe.judging import ranking
from hardenprobe.judging.judgement import remedies
from hardenprobe.model import Review, Word
from hardenprobe.plugins import registry
from hardenprobe.standards.ccss import BASE, ENVIRONMENTAL, TEMPORAL, base_of, read_group, score, whole_vector
from hardenprobe.standards.ccss_environment import LocalMetrics, weigh
from hardenprobe.testing import sample_review

CHECKS = registry.load(plugins=False)
REVIEW = sample_review(4)
TELNET = "cleartext-telnet"
FIRST = REVIEW.devices[0]


def weighed(given: LocalMetrics, ccss: str | None = None) -> Review:
    """REVIEW, with the inventory's metrics for its first device."""
    devices = (replace(FIRST, ccss=ccss), *REVIEW.devices[1:])
    return replace(REVIEW, devices=devices, results=weigh(REVIEW.results, devices, lambda _: given))


def test_without_metrics_nothing_is_added() -> None:
    assert weighed(LocalMetrics()).results == REVIEW.results
    assert all((r.temporal, r.environmental) == (None, None) for r in REVIEW.results)


def test_a_check_has_temporal_metrics_and_a_device_environmental_ones() -> None:
    found = weighed(LocalMetrics(temporal={TELNET: "GEL:L/GRL:M"}), "CR:H/CDP:LM")
    for before, after in zip(REVIEW.results, found.results, strict=True):
        assert (after.score, after.severity, after.result) == (before.score, before.severity, before.result)
        if before.result is not Word.FAIL:
            assert after == before
            continue
        assert base_of(after.vector) == before.vector
        assert (after.temporal is not None) is (after.check == TELNET)
        assert (after.environmental is not None) is (after.device == FIRST.id)
        scores = score(str(after.vector))
        assert (after.score, after.temporal, after.environmental) == (
            scores.base,
            scores.temporal,
            scores.environmental,
        )
        if after.device == FIRST.id:
            assert str(after.vector).endswith(
                "/LVP:ND/PTV:ND/LRL:ND/EC:ND/EI:ND/EA:ND/CDP:LM/CR:H/IR:ND/AR:ND"
            )


def test_the_inventory_goes_before_the_baseline_metric_by_metric() -> None:
    found = weighed(LocalMetrics(environmental="CDP:H/IR:L"), "CDP:N")
    vectors = {r.device: str(r.vector) for r in found.findings}
    assert "/CDP:N/CR:ND/IR:L/" in vectors[FIRST.id]
    assert all("/CDP:H/CR:ND/IR:L/" in v for device, v in vectors.items() if device != FIRST.id)


def test_a_site_orders_its_work_by_what_weighs_there() -> None:
    def first(found: Review) -> str:
        return ranking.rank(found.devices, found.results, remedies(CHECKS))[0].remedy.id

    one = next(r for r in REVIEW.findings if r.check == "cleartext-ftp")
    two = replace(one, finding="other", check="x", remedy="telnet-off", score=(one.score or 0) - 1)
    both = replace(REVIEW, results=(replace(one, remedy="ftp-off"), two))
    assert first(both) == "ftp-off"
    assert first(replace(both, results=(both.results[0], replace(two, environmental=9.0)))) == "telnet-off"


def group(metrics: dict[str, dict[str, float]]) -> st.SearchStrategy[dict[str, str]]:
    return st.fixed_dictionaries({}, optional={m: st.sampled_from(sorted(v)) for m, v in metrics.items()})


@given(st.tuples(*(st.sampled_from(sorted(v)) for v in BASE.values())), group(TEMPORAL), group(ENVIRONMENTAL))
def test_what_is_put_together_can_be_scored_and_taken_apart(
    values: tuple[str, ...], temporal: dict[str, str], environmental: dict[str, str]
) -> None:
    base = "/".join(f"{m}:{v}" for m, v in zip(BASE, values, strict=True))
    whole = whole_vector(base, temporal, environmental)
    assert base_of(whole) == base
    scores = score(whole)
    assert scores.base == score(base).base
    assert (scores.temporal is None) is (not temporal)
    assert (scores.environmental is None) is (not environmental)
    for given_group, names in ((temporal, TEMPORAL), (environmental, ENVIRONMENTAL)):
        assert read_group("/".join(f"{m}:{v}" for m, v in given_group.items()), names) == given_group


@given(st.tuples(*(st.sampled_from(sorted(v)) for v in BASE.values())))
def test_what_is_not_defined_leaves_the_base_score(values: tuple[str, ...]) -> None:
    """NIST IR 7502, 2.2 and 2.3: ND skips a metric in the equation. It caps the environmental impact at 10 and the base
    one not, so that complete impact on all three may lose a tenth to rounding."""
    base = "/".join(f"{m}:{v}" for m, v in zip(BASE, values, strict=True))
    scores = score(whole_vector(base, {"GEL": "ND"}, {"CDP": "ND"}))
    assert scores.temporal == scores.base
    least = scores.base - (0.1 if "C:C/I:C/A:C" in base else 0.0)
    assert least - 1e-9 <= (scores.environmental or 0.0) <= scores.base


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("CDP:X", "CDP is one of N, L, LM, MH, H, ND"),
        ("GEL:H", "'GEL:H' is none of the metrics LVP"),
        ("CDP", "CDP is one of"),
        ("CDP:L/CDP:H", "CDP is repeated"),
        ("CDP:L/", "'' is none"),
        ("cdp:L", "'cdp:L' is none"),
    ],
)
def test_wrong_metrics_are_said_with_their_line(tmp_path: Path, text: str, says: str) -> None:
    listed = tmp_path / "inventory.yaml"
    listed.write_text(
        f'inventory: "hardenprobe.inventory/1"\ndevices:\n  - asset_tag: "A"\n    addresses: ["192.0.2.1"]\n    ccss: "{text}"\n'
    )
    with pytest.raises(FileInvalid) as caught:
        inventory.load(listed)
    assert f"{listed}:5: ccss: " in str(caught.value) and says in str(caught.value)

    mine = tmp_path / "mine.yaml"
    head = 'baseline: "mine/1"\nextends: "office-device"\ntitle: "t"\ndated: "2026-11-25"\nsources: ["s"]\n'
    mine.write_text(f'{head}ccss:\n  environmental: "{text}"\n')
    with pytest.raises(FileInvalid) as caught:
        baseline.read(mine, CHECKS)
    assert f"{mine}:7: ccss.environmental: " in str(caught.value) and says in str(caught.value)
    mine.write_text(f'{head}ccss:\n  temporal:\n    {TELNET}: "CDP:H"\n')
    with pytest.raises(
        FileInvalid, match=r":8: ccss\.temporal\.cleartext-telnet: 'CDP:H' is none of the metrics GEL, GRL"
    ):
        baseline.read(mine, CHECKS)
    mine.write_text(f'{head}ccss:\n  temporal:\n    cleartext-telnett: "GEL:H"\n')
    with pytest.raises(FileInvalid, match=r":8: .*did you mean cleartext-telnet"):
        baseline.read(mine, CHECKS)


def test_a_spreadsheet_gives_them_too(tmp_path: Path) -> None:
    (tmp_path / "i.csv").write_text("asset tag,addresses,ccss\nA,192.0.2.1,CDP:LM/CR:H\n")
    assert inventory.load(tmp_path / "i.csv").devices[0].ccss == "CDP:LM/CR:H"
