"""The pictures of a review: its fleet, and how its findings came and went."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from hardenprobe.model import Device, Severity
from hardenprobe.reports import marks
from hardenprobe.reports.canvas import Canvas
from hardenprobe.reports.families import in_order
from hardenprobe.reports.survey import Survey, network
from hardenprobe.reports.text import SEVERITIES

if TYPE_CHECKING:
    from hardenprobe.comparison.standing import Count

COLUMNS = 120
"""Columns of the fleet's picture at most; where there are more devices, a column stands for several."""

# Filling, the codes of the marks that are drawn so, words of the legend.
_KINDS = (
    ("high", marks.HIGH.code, "high"),
    ("medium", marks.MEDIUM.code, "medium"),
    ("low", marks.LOW.code + marks.UNRATED.code, "low"),
    ("accepted", marks.ACCEPTED.code, "accepted"),
    ("untold", "".join(mark.code for mark in marks.UNTOLD), "not determined"),
)
_WIDTH, _LABELS, _ROW, _TOP = 1000, 236, 17, 50
_NAMED = 60
"""Columns up to which each is named by its device."""


def fleet(survey: Survey) -> str:
    """Devices and checks: a row for each check with a finding or without a verdict, a column for each device.

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
    rows = in_order(rows)
    columns = _columns(survey)
    named = len(columns) <= _NAMED and len(columns) == len(survey.devices)
    end = _TOP + _ROW * len(rows)
    canvas = Canvas("fleet", _WIDTH, end + (110 if named else 6), f"Devices and checks. {fleet_said(survey)}")
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
    if named:
        for number, device in enumerate(_by_network(survey)):
            canvas.upright(device.label, _LABELS + (number + 0.5) * wide + 4, end + 6)
    return canvas.done()


def fleet_said(survey: Survey) -> str:
    """How the picture is read."""
    devices = len(survey.review.devices)
    each = -(-devices // COLUMNS)
    column = "a device" if each <= 1 else f"up to {each} devices, and what is filled is their share"
    return f"A row is a check with a finding or a result that was not determined, grouped by protocol; a column is {column}."


def _columns(survey: Survey) -> list[tuple[str, list[str]]]:
    """Network and rows of marks of each column. Devices of one network stand together, the worst first."""
    devices = [(network(device), survey.marks(device.id)) for device in _by_network(survey)]
    each = max(1, -(-len(devices) // COLUMNS))
    parts = [devices[start : start + each] for start in range(0, len(devices), each)]
    return [(part[0][0], [row for _, row in part]) for part in parts]


def _by_network(survey: Survey) -> list[Device]:
    return sorted(survey.devices, key=network)  # stable: within a network the order of `survey.devices` stays


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
    width, height, left, right, top, bottom = 460, 190, 40, 92, 12, 30
    highest = _ceiling(max(counts[severity] for _, counts in told for severity in SEVERITIES))
    canvas = Canvas("history", width, height, f"Open findings over time. {history_said(trend)}")
    across = (width - left - right) / (len(told) - 1)

    def spot(number: int, count: float) -> tuple[float, float]:
        return left + number * across, height - bottom - (height - top - bottom) * count / highest

    for count in (0, highest // 2, highest):
        _, y = spot(0, count)
        canvas.rule(left, y, width - right, y)
        canvas.text(count, left - 8, y + 4, anchor="end", quiet=True)
    skip = -(-len(told) // 4)
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
    return " ".join(f"{one.started[:10]}: {_counts_said(one.standing)}." for one in ends)


def by_severity(survey: Survey) -> str:
    """Open findings by severity in one review, as bars.

    Returns:
        "" where there is none.
    """
    most = max(survey.standing[severity] for severity in SEVERITIES)
    if not most:
        return ""
    left, right, row = 70, 60, 30
    canvas = Canvas(
        "severity",
        460,
        row * len(SEVERITIES) + 6,
        f"Open findings by severity: {_counts_said(survey.standing)}.",
    )
    for line, severity in enumerate(SEVERITIES):
        count, y = survey.standing[severity], line * row + 4
        canvas.text(severity, left - 10, y + 16, anchor="end")
        wide = (460 - left - right) * count / most
        if count:
            canvas.boxes(severity, [(left, y, max(wide, 1.0), row - 8)])
        canvas.text(f"{count:,}", left + wide + 8, y + 16)
    return canvas.done()


def risk(survey: Survey) -> str:
    """Risk that remains after each remediation of the plan, as steps.

    Returns:
        "" where there is no plan.
    """
    left_over = survey.risk_left
    if len(left_over) < 2 or not left_over[0]:
        return ""
    width, height, left, right, top, bottom = 460, 190, 52, 14, 12, 40
    highest = _ceiling(int(left_over[0]) + 1)
    last = len(left_over) - 1
    first = min(5, last)
    said = f"Risk {left_over[0]:,.1f} before the plan, {left_over[first]:,.1f} after remediation {first}, {left_over[last]:,.1f} after all {last}."
    canvas = Canvas("risk", width, height, said)

    def spot(number: float, value: float) -> tuple[float, float]:
        across = (width - left - right) * number / last
        return left + across, height - bottom - (height - top - bottom) * value / highest

    for value in (0, highest // 2, highest):
        _, y = spot(0, value)
        canvas.rule(left, y, width - right, y)
        canvas.text(f"{value:,}", left - 8, y + 4, anchor="end", quiet=True)
    steps = [spot(0, left_over[0])]
    for number, (before, after) in enumerate(pairwise(left_over), 1):
        steps += [spot(number, before), spot(number, after)]
    canvas.curve(steps, "")
    x, y = spot(first, left_over[first])
    canvas.boxes("high", [(x - 4, y - 4, 8, 8)])
    share = 100 * left_over[first] / left_over[0]
    canvas.text(f"after no. {first}: {left_over[first]:,.0f} ({share:.0f} %)", x + 10, y - 8)
    for number in sorted({0, first, last // 2, last}):
        canvas.text(number, spot(number, 0)[0], height - bottom + 16, anchor="middle", quiet=True)
    canvas.text("remediations carried out, in the order of the plan", left, height - 6, quiet=True)
    return canvas.done()


def _counts_said(counts: Counter[Severity | None]) -> str:
    return ", ".join(f"{counts[severity]} {severity}" for severity in SEVERITIES)


def _ceiling(count: int) -> int:
    """The least even and round number that is not below a count."""
    step = 1
    while True:
        for one in (2, 4, 6, 8, 10, 12, 14, 16, 18):
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
