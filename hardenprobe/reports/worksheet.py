"""A spreadsheet for the technician: a row for each change on each device, in the order of work, with room to note what was done."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from shutil import copyfileobj
from tempfile import TemporaryFile
from typing import TYPE_CHECKING, Any, BinaryIO
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from hardenprobe.model import Advice, FindingDates, Remedy
from hardenprobe.reports.source import Source
from hardenprobe.reports.survey import Survey
from hardenprobe.reports.table import neutral
from hardenprobe.reports.text import CAUTION, counted
from hardenprobe.reports.view import duration_text

if TYPE_CHECKING:
    from openpyxl import Workbook

Sheet = Any
"""A sheet of the library that is written row by row; its published types know half of it."""

MOST_ROWS = 500_000
"""Rows of work. A sheet of openpyxl holds 1,048,576 rows."""

_DONE = ("not yet", "done", "undone again", "not needed", "waits")
_YES = ("yes", "no")

# Title, width in characters, choices or "" for free text that the technician writes, None for what is given.
WORK: tuple[tuple[str, int, Sequence[str] | None], ...] = (
    ("No.", 5, None),
    ("Device", 18, None),
    ("Address", 17, None),
    ("Place", 18, None),
    ("Setting to change", 34, None),
    ("Severity", 9, None),
    ("Owner", 14, None),
    ("Open since", 11, None),
    ("Due", 11, None),
    ("Overdue", 8, None),
    ("Needs first", 30, None),
    ("What stops working", 34, None),
    ("Whom to ask", 24, None),
    ("How to undo", 30, None),
    ("How not to be locked out", 30, None),
    ("How to confirm", 34, None),
    ("Change reference", 14, ""),
    ("Pilot device", 8, _YES),
    ("Backup taken", 8, _YES),
    ("State", 11, _DONE),
    ("Done by", 14, ""),
    ("Time", 16, ""),
    ("Remarks", 24, ""),
)
"""The columns of the sheet "Work"."""

_GUIDE = (
    "Work down the sheet Work: rows are in the order of work, and a change that another one needs comes before it.",
    "First do one row of a change, on a pilot device; wait a day; then do the others of the same number.",
    "The settings are named in general words: the steps are on the sheet Changes, their exact place is in the documentation.",
    "Columns with a light background are yours: change reference, pilot device, backup taken, state, done by, time, remarks.",
    "Take a backup of the device's settings before the first change to it, and keep a session open until the new one works.",
)


def write(source: Source, out: BinaryIO) -> None:
    """Write an Office Open XML workbook (ISO/IEC 29500)."""
    from openpyxl import Workbook

    survey = Survey(source)
    book = Workbook(write_only=True)
    head = source.outline.head
    book.properties.title = neutral(f"Work list of review {head.id}")
    book.properties.creator = "hardenprobe"
    made = _moment(head.finished or head.started)
    book.properties.created = book.properties.modified = made
    _read_first(book.create_sheet("Read first"), survey)
    _work(book.create_sheet("Work"), survey)
    _changes(book.create_sheet("Changes"), survey)
    book.active = 1
    _save(book, made, out)


def _save(book: Workbook, made: datetime, out: BinaryIO) -> None:
    """Write the workbook with the time of the review and not of the writing: the same review gives the same bytes."""
    from openpyxl.writer.excel import ExcelWriter

    with TemporaryFile() as file:
        # Not book.save(), which notes the time of writing.
        ExcelWriter(book, ZipFile(file, "w", ZIP_DEFLATED)).save()
        with ZipFile(file) as parts, ZipFile(out, "w", ZIP_DEFLATED) as dated:
            for name in parts.namelist():
                info = ZipInfo(name, made.timetuple()[:6])
                info.compress_type = ZIP_DEFLATED
                with parts.open(name) as part, dated.open(info, "w") as to:
                    copyfileobj(part, to)


def _read_first(sheet: Sheet, survey: Survey) -> None:
    from openpyxl.styles import Font

    head = survey.review.head
    sheet.column_dimensions["A"].width = 110
    _page(sheet, landscape=False)
    rows = sum(len(advice.devices) for advice in survey.review.what_first)
    sheet.append([_cell(sheet, "What to change, device by device", font=Font(bold=True, size=16))])
    told = f"Review {head.id} of {head.scope}, {duration_text(head.started, head.finished)}."
    sheet.append([_cell(sheet, told)])
    work = f"{counted(len(survey.review.what_first), 'change')}, {counted(rows, 'row')} of work."
    if rows > MOST_ROWS:
        work += f" The first {MOST_ROWS:,} rows are written."
    sheet.append([_cell(sheet, work)])
    sheet.append([])
    sheet.append([_cell(sheet, CAUTION, font=Font(bold=True))])
    sheet.append([])
    for line in _GUIDE:
        sheet.append([_cell(sheet, line)])


def _work(sheet: Sheet, survey: Survey) -> None:
    from openpyxl.styles import Font, PatternFill
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    sheet.freeze_panes = "C2"
    _page(sheet, landscape=True)
    sheet.print_title_rows = "1:1"
    rows = min(sum(len(advice.devices) for advice in survey.review.what_first), MOST_ROWS)
    last = rows + 1
    for number, (_, width, choices) in enumerate(WORK, 1):
        letter = get_column_letter(number)
        sheet.column_dimensions[letter].width = width
        if choices:
            valid = DataValidation(type="list", formula1=f'"{",".join(choices)}"', allow_blank=True)
            valid.errorTitle, valid.error = "Not one of the choices", f"Choose one of: {', '.join(choices)}."
            valid.showErrorMessage = True
            valid.add(f"{letter}2:{letter}{max(last, 2)}")
            sheet.data_validations.append(valid)
    sheet.auto_filter.ref = f"A1:{get_column_letter(len(WORK))}{last}"
    sheet.append([_cell(sheet, title, font=Font(bold=True), fill=_fill("E4E0D4")) for title, _, _ in WORK])
    own: PatternFill = _fill("F7F4EA")
    for values in _rows(survey):
        given = [_cell(sheet, value) for value in values]
        sheet.append([*given, *(_cell(sheet, "not yet" if title == "State" else None, fill=own) for title, _, _ in WORK[len(given):])])  # fmt: skip


def _rows(survey: Survey) -> Iterator[Iterable[object]]:
    left = MOST_ROWS
    for advice in survey.review.what_first:
        for id in advice.devices[:left]:
            device = survey.device.get(id)
            address = device.addresses[0].address if device and device.addresses else ""
            place = device.place if device else None
            remedy = advice.remedy
            yield (
                advice.rank, survey.label(id), address, place, remedy.title, advice.worst,
                device.owner if device else None, *_dates(survey.dates.get((id, remedy.id))), _first(advice, survey),
                remedy.stops_working, remedy.ask, remedy.undo, remedy.lock_out, remedy.confirm,
            )  # fmt: skip
        left = max(0, left - len(advice.devices))


def _dates(dates: FindingDates | None) -> tuple[str | None, ...]:
    """Since when it is open, by when it is due, and whether that is over, of the finding that is due first."""
    if dates is None:
        return None, None, None
    return dates.open_since[:10], dates.due, "yes" if dates.overdue else "no"


def _first(advice: Advice, survey: Survey) -> str:
    waits = survey.waits_for(advice)
    return f"{advice.remedy.needs_first} Waits for {waits}." if waits else advice.remedy.needs_first


def _changes(sheet: Sheet, survey: Survey) -> None:
    from openpyxl.styles import Font

    sheet.freeze_panes = "B2"
    _page(sheet, landscape=True)
    sheet.print_title_rows = "1:1"
    titles = ("No.", "Change", "Steps", "Devices", "Needs first", "What stops working", "Whom to ask", "How to undo",
              "How not to be locked out", "How to confirm")  # fmt: skip
    for letter, width in zip("ABCDEFGHIJ", (5, 30, 60, 9, 30, 34, 26, 32, 32, 34), strict=True):
        sheet.column_dimensions[letter].width = width
    sheet.append([_cell(sheet, title, font=Font(bold=True), fill=_fill("E4E0D4")) for title in titles])
    for advice in survey.review.what_first:
        remedy: Remedy = advice.remedy
        steps = _cell(sheet, None)
        # Ours, and of several lines; each line is made harmless by itself.
        steps.value = "\n".join(neutral(f"{n}. {step}") for n, step in enumerate(remedy.steps, 1))
        values = (advice.rank, remedy.title, steps, len(advice.devices), _first(advice, survey), remedy.stops_working,
                  remedy.ask, remedy.undo, remedy.lock_out, remedy.confirm)  # fmt: skip
        sheet.append([value if value is steps else _cell(sheet, value) for value in values])


def _cell(sheet: Sheet, value: object, **style: Any) -> Any:
    """A cell that holds a whole number or a text, and never a formula."""
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Alignment

    cell = WriteOnlyCell(sheet)
    if isinstance(value, int):
        cell.value = value
    elif value is not None:
        cell.value = neutral(value)
        cell.data_type = "s"
    cell.alignment = Alignment(wrap_text=True, vertical="top")
    for name, given in style.items():
        setattr(cell, name, given)
    return cell


def _fill(colour: str) -> Any:
    from openpyxl.styles import PatternFill

    return PatternFill("solid", fgColor=colour)


def _page(sheet: Sheet, *, landscape: bool) -> None:
    sheet.page_setup.orientation = "landscape" if landscape else "portrait"
    sheet.page_setup.paperSize = 9  # A4
    sheet.page_setup.fitToWidth = 1
    sheet.page_setup.fitToHeight = 0  # as many pages as it takes
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.oddFooter.left.text = "Local policy and the device's documentation come first"
    sheet.oddFooter.right.text = "&P / &N"


def _moment(text: str) -> datetime:
    """A time without its zone; the first that the format knows where it is none, as in a review that someone edited."""
    first = datetime(1980, 1, 1)
    try:
        return max(first, datetime.fromisoformat(text).replace(tzinfo=None))
    except ValueError:
        return first
