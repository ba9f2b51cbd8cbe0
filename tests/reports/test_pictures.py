"""Pictures: what is drawn is what was counted, and no text of a device becomes markup."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import pairwise

import pytest
from defusedxml.ElementTree import fromstring

from hardenprobe.comparison.standing import Count
from hardenprobe.model import Severity
from hardenprobe.reports import pictures
from hardenprobe.reports.source import of_review
from hardenprobe.reports.survey import Survey, network
from hardenprobe.reports.text import visible
from hardenprobe.testing import HOSTILE, sample_review

SVG = "{http://www.w3.org/2000/svg}"


def survey(devices: int, hostile: bool = False) -> Survey:
    return Survey(of_review(sample_review(devices, hostile)))


def boxes(svg: str, fill: str) -> int:
    """Boxes of a filling, without the one in the legend."""
    paths = [
        one.get("d", "") for one in fromstring(svg).iter(f"{SVG}path") if one.get("class") == f"p-{fill}"
    ]
    return sum(path.count("z") for path in paths) - 1


def test_the_fleet_has_a_box_for_each_check_and_device_that_fails_or_is_untold() -> None:
    seen = survey(8)
    svg = pictures.fleet(seen)
    totals: Counter[str] = Counter()
    for counts in seen.by_check().values():
        totals.update(counts)
    drawn = {fill: boxes(svg, fill) for fill in ("high", "medium", "low", "accepted", "untold")}
    assert drawn == {
        "high": totals["h"], "medium": totals["m"], "low": totals["l"] + totals["r"],
        "accepted": totals["a"], "untold": totals["u"] + totals["e"] + totals["n"],
    }  # fmt: skip
    assert totals["h"] and totals["u"]


def test_fillings_differ_in_shape_and_not_in_colour_alone() -> None:
    svg = pictures.fleet(survey(8))
    paths = {
        one.get("class"): one.get("fill") for one in fromstring(svg).iter(f"{SVG}path") if one.get("class")
    }
    fills = [paths[f"p-{fill}"] for fill in ("high", "low", "accepted", "untold")]
    assert len(set(fills)) == 4
    assert sum(fill.startswith("url(#") for fill in fills) == 2
    drawn = [(one.get("class"), one.get("d", "")) for one in fromstring(svg).iter(f"{SVG}path")]
    outlines, (name, hatch) = next(
        (one[1], drawn[place + 1]) for place, one in enumerate(drawn) if one[0] == "p-medium"
    )
    assert name == "p-line" and hatch.count("M") > 2 * outlines.count("M"), "lines through each medium box"


def test_a_column_stands_for_several_devices_in_a_large_fleet() -> None:
    large = survey(300)
    assert "up to 3 devices" in pictures.fleet_said(large)
    assert boxes(pictures.fleet(large), "high") <= pictures.COLUMNS
    assert len(pictures.fleet(large)) < 200_000


def test_nothing_to_draw_is_no_picture() -> None:
    assert pictures.fleet(survey(0)) == ""
    assert pictures.history(()) == ""


def test_history_says_its_first_and_its_last_count() -> None:
    trend = tuple(
        Count(review=month, started=f"2026-{month}-02T21:00:00Z", devices=8, standing=Counter(counts), accepted=0)
        for month, counts in (
            ("01", {Severity.HIGH: 41, Severity.LOW: 3}), ("02", {Severity.HIGH: 12}), ("03", {Severity.HIGH: 7}),
        )
    )  # fmt: skip
    svg = pictures.history(trend)
    texts = [one.text for one in fromstring(svg).iter(f"{SVG}text")]
    assert {"2026-01-02", "2026-02-02", "2026-03-02", "high 7"} <= set(texts)
    assert pictures.history_said(trend) == (
        "2026-01-02: 41 high, 0 medium, 3 low. 2026-03-02: 7 high, 0 medium, 0 low."
    )
    assert boxes(svg, "high") + 1 == 3
    dashes = [one.get("stroke-dasharray") for one in fromstring(svg).iter(f"{SVG}path") if one.get("fill") == "none" and one.get("class") == "p-line" and one.get("stroke-width") == "2"]  # fmt: skip
    assert len(set(dashes)) == 3  # lines differ, too


def test_the_risk_curve_steps_down_from_all_risk_to_none() -> None:
    """The corners are those of a curve drawn by hand: down at each remediation, level in between."""
    seen = survey(8)
    svg = fromstring(pictures.risk(seen))
    (curve,) = (one.get("d") for one in svg.iter(f"{SVG}path") if one.get("stroke-width") == "2")
    spots = [tuple(map(float, spot.split())) for spot in curve.removeprefix("M").split("L")]
    assert len(spots) == 2 * len(seen.review.what_first) + 1
    for (x, y), (to_x, to_y) in pairwise(spots):
        assert (to_x > x and to_y == y) or (to_x == x and to_y > y)
    assert sum(one.risk_removed for one in seen.review.what_first) == pytest.approx(
        seen.risk_left[0], abs=0.05
    )
    assert seen.risk_left[-1] == 0


def test_a_first_review_shows_its_counts_as_bars() -> None:
    seen = survey(8)
    texts = [one.text for one in fromstring(pictures.by_severity(seen)).iter(f"{SVG}text")]
    assert texts == [
        part for word in ("high", "medium", "low") for part in (word, str(seen.standing[Severity(word)]))
    ]


def test_columns_are_named_by_their_devices_while_there_is_room() -> None:
    seen = survey(8)
    texts = {one.text for one in fromstring(pictures.fleet(seen)).iter(f"{SVG}text")}
    assert {visible(device.label, 18) for device in seen.devices} <= texts
    assert not {device.label for device in survey(90).devices} & {
        one.text for one in fromstring(pictures.fleet(survey(90))).iter(f"{SVG}text")
    }


def test_every_picture_says_in_words_what_it_shows() -> None:
    root = fromstring(pictures.fleet(survey(8)))
    assert root.get("role") == "img" and root.get("aria-label")
    assert "A row is a check with a finding" in (root.findtext(f"{SVG}title") or "")


def test_text_of_a_device_is_only_text() -> None:
    review = sample_review(8, hostile=True)
    results = tuple(replace(r, check=HOSTILE[n % len(HOSTILE)]) for n, r in enumerate(review.results))
    svg = pictures.fleet(Survey(of_review(replace(review, results=results))))
    root = fromstring(svg)
    allowed = {"svg", "title", "defs", "pattern", "path", "circle", "text", "line"}
    assert {one.tag.removeprefix(SVG) for one in root.iter()} <= allowed
    assert not any(name.startswith("on") for one in root.iter() for name in one.attrib)
    assert "<script>" not in svg
    assert all(char == "\n" or char.isprintable() for char in svg)


def test_networks_are_those_of_the_first_address() -> None:
    assert {network(device) for device in sample_review(3).devices} == {"127.0.0.0/24"}
