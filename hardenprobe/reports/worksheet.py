"""A spreadsheet for technicians: one sheet for each owner or place, a row for each open finding in the order of work.

What is the same for every device of a remediation is written once, on the sheet "Remediations".
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from itertools import islice
from shutil import copyfileobj
from tempfile import TemporaryFile
from typing import TYPE_CHECKING, Any, BinaryIO, Literal, NamedTuple
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from hardenprobe.model import Device, FindingDates, Result
from hardenprobe.model.usage import ServiceUsage
from hardenprobe.reports.source import Source
from hardenprobe.reports.survey import Survey
from hardenprobe.reports.table import neutral
from hardenprobe.reports.text import CAUTION, RISK_NOTE, counted, port_text
from hardenprobe.reports.usage_text import users
from hardenprobe.reports.view import duration_text

if TYPE_CHECKING:
    from openpyxl import Workbook


Sheet = Any
"""A sheet of the library that is written row by row; its published types know half of it."""

By = Literal["owner", "place"]

MOST_ROWS = 100_000
"""Rows of all sheets together, which are sorted in memory."""

MOST_SHEETS = 60
"""Sheets of owners or places; the findings of further ones share the last sheet."""

_NAME = 31  # characters of a sheet's name that spreadsheets accept
_DONE = ("not yet", "done", "rolled back", "not needed", "waits")

# Title, width in characters, choices or "" for free text that the technician writes, None for what is given.
WORK: tuple[tuple[str, int, Sequence[str] | None], ...] = (
    ("No.", 5, None),
    ("Device", 16, None),
    ("Address", 16, None),
    ("Port", 11, None),
    ("Severity", 9, None),
    ("Observed", 34, None),
    ("Remediation", 30, None),
    ("Prerequisites on this device", 24, None),
    ("Coordinate with", 28, None),
    ("Rollback", 28, None),
    ("First seen", 11, None),
    ("Open since", 11, None),
    ("Due", 11, None),
    ("Overdue", 8, None),
    ("Verification command", 34, None),
    ("Finding", 26, None),
    ("State", 10, _DONE),
    ("Done by, date", 16, ""),
    ("Signature", 18, ""),
    ("Remarks", 22, ""),
)
"""The columns of a sheet of work."""

_GUIDE = (
    "Each further sheet holds the open findings of one {by}, in the order of work; a remediation has one number everywhere.",
    "Try a remediation on one pilot device first; wait a day; then apply it to the other devices of the same number.",
    (
        "Steps, impact, whom to coordinate with and the lock-out risk are on the sheet Remediations, in general words: the exact "
        "place of a setting is in the device's documentation."
    ),
    "Back up the settings of a device before its first change, and keep a session open until the new setting works.",
    "The verification command scans only what proves the finding; it needs the scope file and the store of the review.",
    (
        "Columns with a light background are for the technician. Due dates are those of the baseline (due_days), counted from the "
        "day since which a finding is open; an empty cell means that none is set or known."
    ),
)


class Row(NamedTuple):
    """An open finding to work on."""

    rank: int
    label: str
    device: Device
    result: Result
    dates: FindingDates | None
    usage: ServiceUsage | None


def write(source: Source, out: BinaryIO, *, by: By = "owner") -> None:
    """Write an Office Open XML workbook (ISO/IEC 29500).

    Args:
        by: What each sheet is for.
    """
    from openpyxl import Workbook

    survey = Survey(source)
    groups = _groups(survey, by)
    book = Workbook(write_only=True)
    head = source.outline.head
    book.properties.title = neutral(f"Worksheet of review {head.id}")
    book.properties.creator = "hardenprobe"
    made = _moment(head.finished or head.started)
    book.properties.created = book.properties.modified = made
    _read_first(book.create_sheet("Read first"), survey, groups, by)
    for name, rows in groups.items():
        _work(book.create_sheet(name), survey, rows)
    _remediations(book.create_sheet("Remediations"), survey)
    book.active = 1 if groups else 0
    _save(book, made, out)


def _groups(survey: Survey, by: By) -> Mapping[str, list[Row]]:
    """Sheet name to its rows in the order of work; the sheet with the most findings comes first."""
    found: dict[str, list[Row]] = {}
    for row in islice(_rows(survey), MOST_ROWS):
        found.setdefault(getattr(row.device, by) or f"no {by}", []).append(row)
    groups: dict[str, list[Row]] = {}
    name_of = _names()
    for number, (title, rows) in enumerate(sorted(found.items(), key=lambda one: (-len(one[1]), one[0]))):
        name = name_of(title) if number < MOST_SHEETS - 1 or len(found) <= MOST_SHEETS else "further ones"
        groups.setdefault(name, []).extend(rows)
    for rows in groups.values():
        rows.sort(key=lambda row: (row.rank, row.label, row.result.finding))
    return groups


def _names() -> Callable[[str], str]:
    """Make names that spreadsheets accept for sheets, each once, whatever the letter case."""
    taken = {"read first", "remediations", "further ones"}

    def name_of(title: str) -> str:
        plain = "".join(" " if char in "[]:*?/\\'" else char for char in neutral(title)).strip() or "unnamed"
        name, number = plain[:_NAME], 1
        while name.casefold() in taken:
            number += 1
            name = f"{plain[: _NAME - 5]} ({number})"
        taken.add(name.casefold())
        return name

    return name_of


def _rows(survey: Survey) -> Iterator[Row]:
    """The open findings that a remediation closes, each once; device after device."""
    for piece in survey.source.pieces():
        open_ = {r.finding: r for r in piece.results if r.stands and r.remedy in survey.rank}
        for finding, result in open_.items():
            rank = survey.rank[result.remedy or ""]
            yield Row(
                rank,
                piece.device.label,
                piece.device,
                result,
                piece.dates.get(finding),
                piece.usage.get(finding),
            )


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


def _read_first(sheet: Sheet, survey: Survey, groups: Mapping[str, list[Row]], by: By) -> None:
    from openpyxl.styles import Font

    head = survey.review.head
    sheet.column_dimensions["A"].width = 110
    _page(sheet, landscape=False)
    rows = sum(map(len, groups.values()))
    total = survey.standing.total()
    sheet.append([_cell(sheet, "Remediation worksheet", font=Font(bold=True, size=16))])
    told = f"Review {head.id} of {head.scope}, {duration_text(head.started, head.finished)}."
    sheet.append([_cell(sheet, told)])
    work = f"{counted(len(survey.review.what_first), 'remediation')}, {counted(rows, 'finding')} on {counted(len(groups), 'sheet')}."
    if rows >= MOST_ROWS:
        work += f" Only {MOST_ROWS:,} of {total:,} open findings are written."
    sheet.append([_cell(sheet, work)])
    if carried := survey.carried.counts.total():
        said = f"{counted(carried, 'more finding')} of earlier reviews {'is' if carried == 1 else 'are'} open and not reassessed"
        sheet.append([_cell(sheet, f"{said}; the format tickets has them.")])
    sheet.append([])
    sheet.append([_cell(sheet, CAUTION, font=Font(bold=True))])
    sheet.append([])
    for line in (*_GUIDE, RISK_NOTE):
        sheet.append([_cell(sheet, line.format(by=by))])


def _work(sheet: Sheet, survey: Survey, rows: Sequence[Row]) -> None:
    from openpyxl.styles import Font, PatternFill
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    sheet.freeze_panes = "C2"
    _page(sheet, landscape=True)
    sheet.print_title_rows = "1:1"
    last = len(rows) + 1
    for number, (_, width, choices) in enumerate(WORK, 1):
        letter = get_column_letter(number)
        sheet.column_dimensions[letter].width = width
        if choices:
            valid = DataValidation(type="list", formula1=f'"{",".join(choices)}"', allow_blank=True)
            valid.errorTitle, valid.error = "Not one of the choices", f"Choose one of: {', '.join(choices)}."
            valid.showErrorMessage = True
            valid.add(f"{letter}2:{letter}{last}")
            sheet.data_validations.append(valid)
    sheet.auto_filter.ref = f"A1:{get_column_letter(len(WORK))}{last}"
    sheet.append([_cell(sheet, title, font=Font(bold=True), fill=_fill("E4E0D4")) for title, _, _ in WORK])
    own: PatternFill = _fill("F7F4EA")
    advice = {one.rank: one for one in survey.review.what_first}
    first = {(a.rank, one.device): one for a in advice.values() for one in a.on_devices}
    review = survey.review.head.id
    for row in rows:
        remedy, on_device = advice[row.rank].remedy, first.get((row.rank, row.device.id))
        needed = [
            f"No. {survey.rank[id]}" for id in (on_device.waits_for if on_device else ()) if id in survey.rank
        ]
        if on_device and on_device.administration_left is not None:
            needed.append(
                f"administration left: {', '.join(on_device.administration_left) or 'control panel only'}"
            )
        result, where = row.result, row.result.endpoint
        address = where.address if where else row.device.addresses[0].address
        values = (
            row.rank, row.label, address, port_text(where), result.severity or "not rated",
            result.observed.text + (f" ({result.subject})" if result.subject else ""), remedy.title,
            "; ".join(needed), users(row.usage) if row.usage else "", remedy.undo, row.dates.first_seen[:10] if row.dates else "", row.dates.open_since[:10] if row.dates else "",
            (row.dates.due or "") if row.dates else "", _overdue(row.dates), f"hardenprobe recheck {review} {result.finding}", result.finding,
        )  # fmt: skip
        given = [_cell(sheet, value) for value in values]
        sheet.append([*given, *(_cell(sheet, "not yet" if title == "State" else None, fill=own) for title, _, _ in WORK[len(given):])])  # fmt: skip


def _overdue(dates: FindingDates | None) -> str:
    return "" if dates is None or dates.due is None else "yes" if dates.overdue else "no"


def _remediations(sheet: Sheet, survey: Survey) -> None:
    from openpyxl.styles import Font

    sheet.freeze_panes = "B2"
    _page(sheet, landscape=True)
    sheet.print_title_rows = "1:1"
    titles = ("No.", "Remediation", "Steps", "Devices", "Risk reduced", "Prerequisites", "Impact", "Coordinate with", "Rollback",
              "Lock-out risk", "Verification")  # fmt: skip
    for letter, width in zip("ABCDEFGHIJK", (5, 30, 60, 9, 9, 30, 34, 26, 32, 32, 34), strict=True):
        sheet.column_dimensions[letter].width = width
    sheet.append([_cell(sheet, title, font=Font(bold=True), fill=_fill("E4E0D4")) for title in titles])
    for advice in survey.review.what_first:
        remedy = advice.remedy
        steps = _cell(sheet, None)
        # Ours, and of several lines; each line is made harmless by itself.
        steps.value = "\n".join(neutral(f"{n}. {step}") for n, step in enumerate(remedy.steps, 1))
        waits = survey.waits_for(advice)
        first = f"{remedy.needs_first} After {waits}." if waits else remedy.needs_first
        asked = "; ".join((remedy.ask, *survey.usage.lines(remedy.id)))
        values = (advice.rank, remedy.title, steps, len(advice.devices), str(advice.risk_removed), first, remedy.stops_working,
                  asked, remedy.undo, remedy.lock_out, remedy.confirm)  # fmt: skip
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
