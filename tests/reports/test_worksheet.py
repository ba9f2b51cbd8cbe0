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
from hardenprobe.reports import worksheet
from hardenprobe.reports.text import CAUTION
from hardenprobe.testing import sample_review

Written = Callable[[str, Any], bytes]

# ISO/IEC 29500-1, the main namespace of SpreadsheetML.
MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"

# What a technician needs beside each change; common practice, no source.
WANTED = {"Device", "Place", "Setting to change", "Change reference", "Pilot device", "Backup taken",
          "What stops working", "Whom to ask", "How to undo", "How to confirm", "Done by", "Time"}  # fmt: skip


def book(written: Written, review: Review) -> Workbook:
    return load_workbook(io.BytesIO(written("worksheet", review)))


def rows(found: Workbook, sheet: str = "Work") -> list[dict[str, Any]]:
    lines: Any
    titles, *lines = found[sheet].iter_rows(values_only=True)
    return [{str(title): cell for title, cell in zip(titles, line, strict=True)} for line in lines]


def test_there_is_a_row_for_each_change_on_each_device_in_the_order_of_work(written: Written) -> None:
    review = sample_review(8)
    work = rows(book(written, review))
    device = {one.id: one for one in review.devices}
    expected = [(one.rank, device[id], one.remedy) for one in review.what_first for id in one.devices]
    assert work[0].keys() >= WANTED
    assert len(work) == len(expected) > 8
    for row, (rank, held, remedy) in zip(work, expected, strict=True):
        assert (row["No."], row["Device"], row["Place"]) == (rank, held.label, held.place or None)
        assert row["Address"] == held.addresses[0].address
        assert (row["Setting to change"], row["How to undo"]) == (remedy.title, remedy.undo)
        assert (row["What stops working"], row["Whom to ask"]) == (remedy.stops_working, remedy.ask)
        assert (row["How to confirm"], row["State"]) == (remedy.confirm, "not yet")
        for own in ("Change reference", "Pilot device", "Backup taken", "Done by", "Time"):
            assert row[own] is None


def test_the_steps_of_a_change_are_written_once(written: Written) -> None:
    review = sample_review(8)
    changes = rows(book(written, review), "Changes")
    assert [row["Change"] for row in changes] == [one.remedy.title for one in review.what_first]
    for row, advice in zip(changes, review.what_first, strict=True):
        assert row["Steps"].split("\n") == [f"{n}. {step}" for n, step in enumerate(advice.remedy.steps, 1)]
        assert row["Devices"] == len(advice.devices)


def test_choices_drop_down_over_all_rows(written: Written) -> None:
    found = book(written, sample_review(8))
    sheet = found["Work"]
    title = {cell.column_letter: cell.value for cell in sheet[1]}
    valid = {title[str(one.sqref).partition("2:")[0]]: one for one in sheet.data_validations.dataValidation}
    assert {name: one.formula1 for name, one in valid.items()} == {
        "Pilot device": '"yes,no"',
        "Backup taken": '"yes,no"',
        "State": '"not yet,done,undone again,not needed,waits"',
    }
    for one in valid.values():
        assert one.type == "list"
        assert str(one.sqref).endswith(str(sheet.max_row))
        assert one.showDropDown is not True  # ISO/IEC 29500-1, 18.3.1.32: true hides the arrow
    assert all(row["State"] in "not yet,done" for row in rows(found))


def test_it_prints_on_pages_of_one_width_with_titles_and_numbers(written: Written) -> None:
    found = book(written, sample_review(8))
    for sheet in found:
        assert (sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight) == (1, 0)
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert sheet.oddFooter.right.text == "&P / &N"
    for name in ("Work", "Changes"):
        assert found[name].print_title_rows == "$1:$1"
        assert found[name].page_setup.orientation == "landscape"
        assert found[name]["A2"].alignment.wrap_text
    assert found["Work"].freeze_panes == "C2"


def test_the_caution_is_read_first(written: Written) -> None:
    first = book(written, sample_review(2)).worksheets[0]
    assert first.title == "Read first"
    assert CAUTION in [cell.value for cell in first["A"]]


def test_no_cell_is_a_formula_whatever_a_device_wrote(written: Written) -> None:
    written_bytes = written("worksheet", sample_review(8, hostile=True))
    archive = zipfile.ZipFile(io.BytesIO(written_bytes))
    sheets = [name for name in archive.namelist() if name.startswith("xl/worksheets/sheet")]
    assert len(sheets) == 3
    for name in sheets:
        root = fromstring(archive.read(name))
        assert not list(root.iter(f"{MAIN}f"))
        assert not list(root.iter(f"{MAIN}hyperlink"))
    names = {row["Device"] for row in rows(load_workbook(io.BytesIO(written_bytes)))}
    assert any(name.startswith("'=HYPERLINK(") for name in names)
    assert not any(name.lstrip().startswith(("=", "+", "-", "@")) for name in names)


def test_rows_end_where_a_sheet_would_be_too_long(written: Written, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(worksheet, "MOST_ROWS", 5)
    found = book(written, sample_review(8))
    assert len(rows(found)) == 5
    assert any("The first 5 rows are written" in str(cell.value) for cell in found["Read first"]["A"])


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


def test_nothing_to_do_is_an_empty_sheet(written: Written) -> None:
    assert rows(book(written, sample_review(0))) == []
