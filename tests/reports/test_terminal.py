"""The screen: in order, plain where it is not a terminal, and deaf to what devices say."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from rich.cells import cell_len
from rich.console import Console

from hardenprobe.model import Coverage, Reason, Review, Said, Word
from hardenprobe.reports import FORMATS
from hardenprobe.reports.terminal import LONGEST, show
from hardenprobe.reports.text import CAUTION
from hardenprobe.reports.view import View, share_text
from hardenprobe.testing import sample_review


def screen(
    review: Review,
    width: int = 140,
    terminal: bool = False,
    encoding: str = "utf-8",
    *,
    details: bool = True,
    store: str | None = None,
) -> str:
    raw = io.BytesIO()
    file = io.TextIOWrapper(raw, encoding=encoding, newline="\n")
    show(
        review,
        Console(
            file=file, width=width, force_terminal=terminal, color_system="truecolor" if terminal else None
        ),
        details=details,
        store=store,
    )
    file.flush()
    return raw.getvalue().decode(encoding)


def flat(text: str) -> str:
    return " ".join(text.split())


def test_the_parts_come_in_order() -> None:
    shown = screen(sample_review(5))
    parts = ("Harbour office printers,", "What to do first", "Remediation plan", "Devices\n", "Not determined, by check",
             "Coverage", "Caution\n")  # fmt: skip
    places = [shown.index(part) for part in parts]
    assert places == sorted(places)
    assert CAUTION in flat(shown)


def test_an_error_says_what_broke_and_where() -> None:
    review = sample_review(3)
    broken = replace(
        review.results[0],
        result=Word.ERROR,
        reason=Reason.CRASHED,
        observed=Said(text="KeyError: 'x' (/checks/site_rule.py, line 23)"),
    )
    shown = flat(screen(replace(review, results=(broken, *review.results[1:])), width=200))
    assert "KeyError: 'x' (/checks/site_rule.py, line 23)" in shown


def test_the_numbers_are_those_of_the_review() -> None:
    review = sample_review(5)
    standing = [r for r in review.findings if r.stands]
    counts = {word: sum(1 for r in standing if r.severity == word) for word in ("high", "medium", "low")}
    shown = flat(screen(review))
    assert (
        f"{len(standing)} open findings: {counts['high']} high, {counts['medium']} medium, {counts['low']} low."
        in shown
    )
    assert f"{len(review.findings) - len(standing)} more finding with a risk acceptance in force." in shown
    told = sum(1 for r in review.results if r.result in ("pass", "fail", "informational", "notapplicable"))
    assert f"{told} of {len(review.results)} results were determined." in shown
    assert "205 connections, 45 datagrams" in shown


@pytest.mark.parametrize("width", [80, 140])
@pytest.mark.parametrize("hostile", [False, True])
def test_no_line_is_wider_than_the_screen(width: int, hostile: bool) -> None:
    for line in screen(sample_review(8, hostile), width).splitlines():
        assert cell_len(line) <= width, line


def test_it_is_plain_where_it_is_not_a_terminal() -> None:
    assert "\x1b" not in screen(sample_review(3))
    assert "\x1b[" in screen(sample_review(3), terminal=True)


def test_device_text_sends_nothing_to_the_terminal() -> None:
    shown = screen(sample_review(8, hostile=True), width=160)
    assert all(char == "\n" or char.isprintable() for char in shown)
    assert r"\x1b]0;owned\x07\x1b[31;5m\x9b2J" in shown
    assert "[bold red]:warning:[/]" in flat(shown)  # neither markup nor emoji names mean anything
    assert "Port offset 20000" in flat(shown)


def test_a_terminal_that_knows_only_ascii_gets_ascii() -> None:
    review = sample_review(2)
    review = replace(review, head=replace(review.head, scope="Büro 印刷"))
    assert r"B\xfcro \u5370\u5237" in screen(review, encoding="ascii")


def test_severity_is_a_word_and_a_mark() -> None:
    shown = screen(sample_review(5))
    assert "high !!!" in shown
    assert "medium !!" in shown
    assert "low !" in shown


def test_a_fleet_in_which_nothing_answered_is_not_green() -> None:
    review = sample_review(0)
    shown = flat(screen(replace(review, coverage=Coverage(planned=9, visited=9))))
    assert "No device answered, so nothing was determined about any of them." in shown
    assert "No remediation is needed for what was determined." in shown


def test_long_lists_are_cut_and_say_so() -> None:
    review = sample_review(1)
    many = tuple(f"127.0.8.{n}" for n in range(LONGEST + 5))
    shown = screen(replace(review, coverage=replace(review.coverage, excluded=many)))
    assert f"Excluded: {LONGEST + 5}" in shown
    assert "and 5 more; a report holds all of them" in shown
    assert many[LONGEST] not in shown


def test_an_unfinished_review_says_so() -> None:
    review = sample_review(1)
    assert "2026-03-02 21:00:00 UTC (unfinished)" in flat(
        screen(replace(review, head=replace(review.head, finished=None)))
    )


def test_an_interrupted_scan_says_so() -> None:
    review = sample_review(1)
    shown = flat(screen(replace(review, head=replace(review.head, interrupted=True))))
    assert "The scan was stopped before it was complete." in shown


def test_the_standing_of_fleet_and_devices_is_counts_a_worst_score_and_what_was_determined() -> None:
    review = sample_review(1)
    shown = flat(screen(review))
    view = View(review)
    (counts,) = view.counts.values()
    scores = [r.score for r in review.findings if r.stands]
    assert counts.worst == max(scores) == view.worst_score
    assert f"The highest score is {max(scores)}." in shown
    untold = {r.check for r in review.results if r.result in (Word.UNKNOWN, Word.ERROR, Word.NOTCHECKED)}
    asked = {r.check for r in review.results if r.result is not Word.NOTSELECTED}
    assert (counts.determined, counts.checks) == (len(asked - untold), len(asked))
    share = 100 * len(asked - untold) // len(asked)
    assert f"{len(asked - untold)} of {len(asked)} were determined ({share} %)." in shown
    assert f"{max(scores)} {len(asked - untold)}/{len(asked)}" in shown


def test_nothing_that_stands_has_no_worst_score() -> None:
    review = sample_review(1)
    clean = replace(review, results=tuple(r for r in review.results if r.result is not Word.FAIL))
    assert View(clean).worst_score is None
    assert "highest score" not in flat(screen(clean))


def test_only_the_whole_is_100_per_cent() -> None:
    assert [share_text(999, 1000), share_text(1000, 1000)] == ["99 %", "100 %"]


def test_the_first_screen_has_room_on_80_columns_and_24_lines() -> None:
    """With the line that says where the review is kept, and the prompt; notices and errors come on top of it."""
    review = sample_review(40)
    head = replace(review.head, scope="Harbour office", versions={"baseline": "office-device/1"})
    results = tuple(replace(r, lapsed=None) for r in review.results if r.result is not Word.ERROR)
    quiet = replace(review, head=head, results=results, notices=())
    shown = screen(quiet, 80, details=False).splitlines()
    assert len(shown) <= 22
    assert all(cell_len(line) <= 80 for line in shown)


def test_the_first_screen_answers_what_was_assessed_what_is_open_what_to_do_and_what_is_not_determined() -> (
    None
):
    review = sample_review(40)
    shown = screen(review, 80, details=False)
    standing = [r for r in review.findings if r.stands]
    missing = [r for r in review.results if r.result in (Word.UNKNOWN, Word.ERROR, Word.NOTCHECKED)]

    assert "not reached: HO-0990" in flat(shown)
    assert f"{len(standing)} open: " in shown
    for advice in review.what_first[:5]:
        assert f"{advice.worst} " in shown
        assert f"risk -{advice.risk_removed:,.1f}" in shown
        assert f"{len(advice.devices)} device" in shown
    assert f"Not determined: {len(missing)} of {len(review.results)} results" in shown
    assert f"Next: hardenprobe report {review.head.id} --format html -o report.html" in shown
    assert "Devices\n" not in shown


def test_notices_are_on_the_first_screen() -> None:
    shown = flat(screen(sample_review(5), 80, details=False))
    assert "Notice: The clock of this machine was not proven." in shown


def test_the_command_to_run_next_names_the_store_and_is_never_broken() -> None:
    review = sample_review(2)
    place = "folder-of-a-long-name/store-of-the-harbour.db"
    assert f"hardenprobe report {review.head.id} --store {place} --format html -o report.html\n" in screen(
        review, 80, details=False, store=place
    )


def test_an_error_says_what_failed_and_whose_code_it_was() -> None:
    review = sample_review(1)
    broken = replace(review.results[0], result=Word.ERROR, check="quay-rule", origin="quay-checks 2.1",
                     observed=Said(text="KeyError: 'berth'"), exception=None, lapsed=None)  # fmt: skip
    shown = flat(screen(replace(review, results=(broken,)), 80, details=False))
    assert "error in quay-rule (check of quay-checks 2.1) on HO-0101: KeyError: 'berth'" in shown


def test_the_text_format_is_what_the_scan_printed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    review, out = sample_review(5), io.BytesIO()
    FORMATS["text"](review, out)
    assert out.getvalue().decode() == screen(review, 80, details=False)
