"""The pictures of a review: its fleet, and how its findings came and went."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

from hardenprobe.model import Severity
from hardenprobe.reports import marks
from hardenprobe.reports.canvas import Canvas
from hardenprobe.reports.survey import Survey, network
from hardenprobe.reports.text import SEVERITIES

if TYPE_CHECKING:
    from hardenprobe.comparison.standing import Count

COLUMNS = 120
"""Columns of the fleet's picture at most; where there are more devices, a column stands for several."""

# Filling, the codes of the marks that are drawn so, words of the legend.
_KINDS = (
    ("high", marks.HIGH.code, "fails, high"),
    ("medium", marks.MEDIUM.code, "medium"),
    ("low", marks.LOW.code + marks.UNRATED.code, "low"),
    ("accepted", marks.ACCEPTED.code, "accepted"),
    ("untold", "".join(mark.code for mark in marks.UNTOLD), "could not be told"),
)
_WIDTH, _LABELS, _ROW, _TOP = 1000, 236, 17, 50


def fleet(survey: Survey) -> str:
    """Devices and checks: a row for each check that found something or could not tell, a column for each device.

    Returns:
        "" where there is nothing to draw.
    """
    by_check = survey.by_check()
    rows = [
        check
        for check in survey.checks
        if any(by_check[check][code] for _, codes, _ in _KINDS for code in codes)
    ]
    if not rows:
        return ""
    rows.sort(key=lambda check: [-sum(by_check[check][code] for code in codes) for _, codes, _ in _KINDS])
    columns = _columns(survey)
    end = _TOP + _ROW * len(rows)
    canvas = Canvas("fleet", _WIDTH, end + 6, f"Devices and checks. {fleet_said(survey)}")
    x: float = _LABELS
    for fill, _, words in _KINDS:
        canvas.boxes(fill, [(x, 3, 12, 12)])
        canvas.text(words, x + 18, 13)
        x += 18 + 6.5 * len(words) + 24
    wide = (_WIDTH - _LABELS) / len(columns)
    _networks(canvas, [name for name, _ in columns], wide, end)
    places = {check: number for number, check in enumerate(survey.checks)}
    boxes: dict[str, list[tuple[float, float, float, float]]] = {fill: [] for fill, _, _ in _KINDS}
    for line, check in enumerate(rows):
        canvas.text(check, _LABELS - 8, _TOP + line * _ROW + 13, anchor="end")
        for number, (_, held) in enumerate(columns):
            counts = Counter(row[places[check]] for row in held)
            base = _TOP + (line + 1) * _ROW - 1.0
            for fill, codes, _ in _KINDS:
                tall = (_ROW - 3) * sum(counts[code] for code in codes) / len(held)
                if tall:
                    base -= tall
                    gap = min(2.0, wide / 6)
                    boxes[fill].append((_LABELS + number * wide + gap / 2, base, wide - gap, tall))
    for fill, drawn in boxes.items():
        canvas.boxes(fill, drawn)
    return canvas.done()


def fleet_said(survey: Survey) -> str:
    """How the picture is read."""
    devices = len(survey.review.devices)
    each = -(-devices // COLUMNS)
    column = "a device" if each <= 1 else f"up to {each} devices, and what is filled is their share"
    return f"A row is a check that found something or could not tell, a column is {column}."


def _columns(survey: Survey) -> list[tuple[str, list[str]]]:
    """Network and rows of marks of each column. Devices of one network stand together, the worst first."""
    devices = [(network(device), survey.marks(device.id)) for device in survey.devices]
    devices.sort(key=lambda one: one[0])  # stable: within a network the order of `survey.devices` stays
    each = max(1, -(-len(devices) // COLUMNS))
    parts = [devices[start : start + each] for start in range(0, len(devices), each)]
    return [(part[0][0], [row for _, row in part]) for part in parts]


def _networks(canvas: Canvas, names: list[str], wide: float, end: float) -> None:
    """Rules between networks, and their names where there is room."""
    starts = [n for n, name in enumerate(names) if n == 0 or names[n - 1] != name]
    for start, stop in zip(starts, [*starts[1:], len(names)], strict=True):
        x = _LABELS + start * wide
        canvas.rule(x, _TOP - 16, x, end)
        if (stop - start) * wide > 7 * len(names[start]):
            canvas.text(names[start], x + 4, _TOP - 6, quiet=True)
    canvas.rule(_LABELS, end, _WIDTH, end)


def history(trend: Sequence[Count]) -> str:
    """Open findings, by severity, over the reviews of a scope, the last of which is this one.

    Returns:
        "" where there is no earlier one.
    """
    if len(trend) < 2:
        return ""
    told = [(one.started[:10], one.standing) for one in trend]
    last = trend[-1].standing
    width, height, left, right, top, bottom = 720, 250, 48, 110, 16, 34
    highest = _ceiling(max(counts[severity] for _, counts in told for severity in SEVERITIES))
    canvas = Canvas("history", width, height, f"Open findings over time. {history_said(trend)}")
    across = (width - left - right) / (len(told) - 1)

    def spot(number: int, count: float) -> tuple[float, float]:
        return left + number * across, height - bottom - (height - top - bottom) * count / highest

    for count in (0, highest // 2, highest):
        _, y = spot(0, count)
        canvas.rule(left, y, width - right, y)
        canvas.text(count, left - 8, y + 4, anchor="end", quiet=True)
    skip = -(-len(told) // 7)
    for number, (day, _) in enumerate(told):
        if (len(told) - 1 - number) % skip == 0:
            canvas.text(day, spot(number, 0)[0], height - 12, anchor="middle", quiet=True)
    ends = _apart([spot(0, last[severity])[1] for severity in SEVERITIES])
    for severity, end in zip(SEVERITIES, ends, strict=True):
        spots = [spot(number, counts[severity]) for number, (_, counts) in enumerate(told)]
        canvas.curve(spots, {Severity.MEDIUM: "7 4", Severity.LOW: "2 3"}.get(severity, ""))
        canvas.boxes(severity, [(x - 5, y - 5, 10, 10) for x, y in spots], over=True)
        canvas.text(f"{severity} {last[severity]:,}", width - right + 14, end + 4)
    return canvas.done()


def history_said(trend: Sequence[Count]) -> str:
    """The first and the last counts, in words."""
    ends = (trend[0], trend[-1])
    return " ".join(
        f"{one.started[:10]}: {', '.join(f'{one.standing[severity]} {severity}' for severity in SEVERITIES)}."
        for one in ends
    )


def _ceiling(count: int) -> int:
    """The least even and round number that is not below a count."""
    step = 1
    while True:
        for one in (2, 4, 6, 8, 10):
            if one * step >= count:
                return one * step
        step *= 10


def _apart(heights: list[float]) -> list[float]:
    """Labels that would lie on each other are moved down."""
    placed: dict[int, float] = {}
    last = -99.0
    for number in sorted(range(len(heights)), key=lambda n: heights[n]):
        last = placed[number] = max(heights[number], last + 16)
    return [placed[number] for number in range(len(heights))]
