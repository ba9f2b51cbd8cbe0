"""The technician's spreadsheet, read back by the library that wrote it and, as XML, by none."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from defusedxml.ElementTree import fromstring
from openpyxl import Workbook, load_workbook

from hardenprobe.model import Review
from hardenprobe.reports import FORMATS, worksheet
from hardenprobe.reports.text import CAUTION
from hardenprobe.testing import sample_review

Written = Callable[[str, Any], bytes]

# ISO/IEC 29500-1, the main namespace of SpreadsheetML.
MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"

# What a technician needs beside each finding; common practice, no source.
WANTED = {"Device", "Address", "Port", "Observed", "Finding", "Due", "Overdue", "First seen", "Open since", "Remediation", "Rollback",
          "Verification command", "State", "Done by, date", "Signature", "Remarks"}  # fmt: skip


def book(written: Written, review: Review) -> Workbook:
    return load_workbook(io.BytesIO(written("worksheet", review)))


def by_place(review: Review) -> Workbook:
    out = io.BytesIO()
    FORMATS["worksheet"](review, out, by="place")
    return load_workbook(out)


def rows(found: Workbook, sheet: str) -> list[dict[str, Any]]:
    lines: Any
    titles, *lines = found[sheet].iter_rows(values_only=True)
    return [{str(title): cell for title, cell in zip(titles, line, strict=True)} for line in lines]


def test_there_is_a_row_for_each_open_finding_in_the_order_of_work(written: Written) -> None:
    review = sample_review(8)
    work = rows(book(written, review), "Facilities")
    device = {one.id: one for one in review.devices}
    rank = {one.remedy.id: one for one in review.what_first}
    open_ = {r.finding: r for r in review.findings if r.stands and r.remedy in rank}

    assert work[0].keys() == WANTED | {"No.", "Severity", "Prerequisites on this device", "Coordinate with"}
    assert len(work) == len(open_) > 8
    assert [row["No."] for row in work] == sorted(row["No."] for row in work)
    for row in work:
        result = open_[row["Finding"]]
        advice = rank[result.remedy]
        assert (row["No."], row["Remediation"], row["Rollback"]) == (
            advice.rank,
            advice.remedy.title,
            advice.remedy.undo,
        )
        assert row["Device"] == device[result.device].label
        assert row["Address"] == result.endpoint.address
        assert row["Port"] == f"{result.endpoint.port}/{result.endpoint.transport}"
        assert row["Observed"].startswith(result.observed.text)
        assert row["Verification command"] == f"hardenprobe recheck {review.head.id} {result.finding}"
        assert row["State"] == "not yet"
        assert {row[own] for own in ("Done by, date", "Signature", "Remarks")} == {None}


def test_there_is_a_sheet_for_each_place_with_the_findings_of_its_devices(written: Written) -> None:
    review = sample_review(8)
    found = by_place(review)
    place = {one.label: one.place or "no place" for one in review.devices}
    first, *places, last = found.sheetnames
    assert (first, last) == ("Read first", "Remediations")
    assert len(places) == len(set(place.values())) > 1
    for sheet in places:
        assert {place[row["Device"]] for row in rows(found, sheet)} == {sheet}


def test_names_that_no_sheet_may_have_are_written_otherwise() -> None:
    review = sample_review(4)
    odd = ("Quay [4]: north/south?*", "QUAY  4   north south", "a" * 40, "Read first")
    devices = tuple(replace(d, place=place) for d, place in zip(review.devices, odd, strict=True))
    names = by_place(replace(review, devices=devices)).sheetnames
    # ISO/IEC 29500-1, 18.2.19 says that names are unique; the characters and the length are common practice.
    assert len({name.casefold() for name in names}) == len(names) == 6
    assert all(len(name) <= 31 and not set(name) & set("[]:*?/\\") for name in names)


def test_steps_are_written_once(written: Written) -> None:
    review = sample_review(8)
    guidance = rows(book(written, review), "Remediations")
    assert [row["Remediation"] for row in guidance] == [one.remedy.title for one in review.what_first]
    for row, advice in zip(guidance, review.what_first, strict=True):
        assert row["Steps"].split("\n") == [f"{n}. {step}" for n, step in enumerate(advice.remedy.steps, 1)]
        assert (row["Devices"], row["Lock-out risk"]) == (len(advice.devices), advice.remedy.lock_out)


def test_choices_drop_down_over_all_rows(written: Written) -> None:
    sheet = book(written, sample_review(8))["Facilities"]
    title = {cell.column_letter: cell.value for cell in sheet[1]}
    (only,) = sheet.data_validations.dataValidation
    assert title[str(only.sqref).partition("2:")[0]] == "State"
    assert only.formula1 == '"not yet,done,rolled back,not needed,waits"'
    assert only.type == "list"
    assert str(only.sqref).endswith(str(sheet.max_row))
    assert only.showDropDown is not True  # ISO/IEC 29500-1, 18.3.1.32: true hides the arrow


def test_it_prints_on_pages_of_one_width_with_titles_and_numbers(written: Written) -> None:
    found = book(written, sample_review(8))
    for sheet in found:
        assert (sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight) == (1, 0)
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert sheet.oddFooter.right.text == "&P / &N"
    for name in ("Facilities", "Remediations"):
        assert found[name].print_title_rows == "$1:$1"
        assert found[name].page_setup.orientation == "landscape"
        assert found[name]["A2"].alignment.wrap_text
    assert found["Facilities"].freeze_panes == "C2"


def test_the_caution_is_read_first(written: Written) -> None:
    first = book(written, sample_review(2)).worksheets[0]
    assert first.title == "Read first"
    assert CAUTION in [cell.value for cell in first["A"]]


def test_no_cell_is_a_formula_whatever_a_device_wrote(written: Written) -> None:
    written_bytes = written("worksheet", sample_review(8, hostile=True))
    archive = zipfile.ZipFile(io.BytesIO(written_bytes))
    sheets = [name for name in archive.namelist() if name.startswith("xl/worksheets/sheet")]
    assert len(sheets) >= 3
    for name in sheets:
        root = fromstring(archive.read(name))
        assert not list(root.iter(f"{MAIN}f"))
        assert not list(root.iter(f"{MAIN}hyperlink"))
    found = load_workbook(io.BytesIO(written_bytes))
    names = {row["Device"] for sheet in found.sheetnames[1:-1] for row in rows(found, sheet)}
    assert any(name.startswith("'=HYPERLINK(") for name in names)
    assert not any(name.lstrip().startswith(("=", "+", "-", "@")) for name in names)


def test_rows_end_where_a_sheet_would_be_too_long(written: Written, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(worksheet, "MOST_ROWS", 5)
    found = book(written, sample_review(8))
    assert len(rows(found, "Facilities")) == 5
    assert any("Only 5 of" in str(cell.value) for cell in found["Read first"]["A"])


@pytest.mark.parametrize("finished", ["2026-03-02T21:07:42Z", "1970-01-01T00:00:00Z", "yesterday"])
def test_the_same_review_gives_the_same_bytes_and_tells_its_own_time(
    written: Written, finished: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    review = sample_review(3)
    review = replace(review, head=replace(review.head, finished=finished))
    one = written("worksheet", review)
    monkeypatch.setattr("time.localtime", lambda *_: (2031, 1, 1, 0, 0, 0, 0, 1, 0))
    assert written("worksheet", review) == one
    said = load_workbook(io.BytesIO(one)).properties.modified.isoformat()
    assert said == (finished.removesuffix("Z") if finished.startswith("2026") else "1980-01-01T00:00:00")


def test_nothing_to_do_has_no_sheet_of_work(written: Written) -> None:
    assert book(written, sample_review(0)).sheetnames == ["Read first", "Remediations"]
