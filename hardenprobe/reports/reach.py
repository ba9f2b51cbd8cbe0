"""The reach matrix: from which vantage point which service of which device answers, beside what the policy says of it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import StrEnum
from typing import Any, NamedTuple

from hardenprobe.checking.views.access import heard_by_port, serving_us, shut
from hardenprobe.facts import TcpPort
from hardenprobe.model import Observation, Result, State, Vantage, Word
from hardenprobe.reports.canvas import Canvas
from hardenprobe.reports.source import Piece
from hardenprobe.reports.text import counted
from hardenprobe.scope.ports import SERVICES

POLICY = "segment-reach"
"""The check that holds the policy."""

DRAWN = 60
"""Rows of the picture at most; those that differ come first."""

_WIDTH, _LABELS, _ROW, _TOP = 1000, 320, 18, 62


class ServiceState(StrEnum):
    """What a vantage point met at a service."""

    ANSWERS = "answers"
    REFUSES = "closed"
    SILENT = "filtered"
    UNCLEAR = "not determined"
    NOT_ASKED = "not asked"


class Cell(NamedTuple):
    """One vantage point at one service.

    Attributes:
        verdict: Of the policy, the worst; None where it does not speak of it.
        accepted: The risk of the finding is accepted.
    """

    met: ServiceState
    verdict: Word | None = None
    accepted: bool = False

    @property
    def words(self) -> str:
        """What is to be said of it."""
        if self.verdict is Word.FAIL:
            against = "against the policy" if self.met is ServiceState.ANSWERS else "and the policy needs it"
            return f"{self.met}, {against}{', risk accepted' if self.accepted else ''}"
        return str(self.met)


class Row(NamedTuple):
    """A service of a device, from each vantage point of the review."""

    label: str
    service: str
    cells: tuple[Cell, ...]

    @property
    def against(self) -> bool:
        """It is not as the policy says, from somewhere."""
        return any(cell.verdict is Word.FAIL for cell in self.cells)

    @property
    def differs(self) -> bool:
        """It answers from one vantage point and not from another."""
        asked = [cell.met for cell in self.cells if cell.met is not ServiceState.NOT_ASKED]
        return ServiceState.ANSWERS in asked and any(met is not ServiceState.ANSWERS for met in asked)


def of_device(piece: Piece, vantages: Sequence[Vantage]) -> list[Row]:
    """The services of a device that answer from somewhere, or of which the policy speaks."""
    by_vantage: dict[str, list[Observation[Any]]] = {one.name: [] for one in vantages}
    for seen in piece.observations:
        if seen.vantage in by_vantage and not getattr(seen.facts, "control", False):
            by_vantage[seen.vantage].append(seen)
    verdicts = [result for result in piece.results if result.check == POLICY and result.endpoint]
    rows = []
    for service in SERVICES:
        cells = tuple(
            _cell(service, by_vantage[one.name], [r for r in verdicts if r.vantage == one.name])
            for one in vantages
        )
        if any(cell.met is ServiceState.ANSWERS or cell.verdict is Word.FAIL for cell in cells):
            rows.append(Row(label=piece.device.label, service=service, cells=cells))
    return rows


def _cell(service: str, seen: Sequence[Observation[Any]], verdicts: Iterable[Result]) -> Cell:
    said = [
        result
        for result in verdicts
        if result.endpoint and (result.endpoint.transport, result.endpoint.port) in SERVICES[service]
    ]
    failed = [result for result in said if result.result is Word.FAIL]
    word = Word.FAIL if failed else said[0].result if said else None
    accepted = bool(failed) and all(result.exception is not None for result in failed)
    return Cell(_met(service, seen), word, accepted)


def _met(service: str, seen: Sequence[Observation[Any]]) -> ServiceState:
    ports = list(heard_by_port(seen, service))
    if any(serving_us(service, heard) for heard in ports):
        return ServiceState.ANSWERS
    if not ports:
        return (
            ServiceState.NOT_ASKED
            if not any(isinstance(one.facts, TcpPort) for one in seen)
            else ServiceState.UNCLEAR
        )
    if all(getattr(one.facts, "state", None) is State.SILENT for heard in ports for one in heard):
        return ServiceState.SILENT
    return ServiceState.REFUSES if all(shut(service, heard) for heard in ports) else ServiceState.UNCLEAR


def in_order(rows: Iterable[Row]) -> list[Row]:
    """What is against the policy first, then what differs, then what answers everywhere alike."""
    return sorted(rows, key=lambda row: (not row.against, not row.differs, row.label, row.service))


def said(rows: Sequence[Row]) -> str:
    """The matrix in a sentence."""
    against = sum(row.against for row in rows)
    differ = sum(row.differs for row in rows)
    return (
        f"{counted(len(rows), 'service')} of devices answered from somewhere: {against} not as the policy says, "
        f"{differ} reached from some vantage points and not from others."
    )


def picture(rows: Sequence[Row], vantages: Sequence[Vantage]) -> str:
    """A row for each service of a device, a column for each vantage point; differences first.

    Args:
        rows: In order.

    Returns:
        "" where there is nothing to draw.
    """
    if not rows:
        return ""
    drawn = rows[:DRAWN]
    canvas = Canvas("reach", _WIDTH, _TOP + _ROW * len(drawn) + 6, f"Reach by vantage point. {said(rows)}")
    x = 0.0
    for fill, words in _LEGEND:
        canvas.boxes(fill, [(x, 3, 22, 12)])
        canvas.text(words, x + 28, 13)
        x += 28 + 6.2 * len(words) + 18
    canvas.rule(x, 9, x + 22, 9)
    canvas.text("closed or filtered", x + 28, 13)
    wide = min(150.0, (_WIDTH - _LABELS) / len(vantages))
    for number, one in enumerate(vantages):
        canvas.text(one.name[: int(wide / 6.5)], _LABELS + number * wide + 4, _TOP - 12, quiet=True)
    canvas.rule(0, _TOP - 4, _LABELS + wide * len(vantages), _TOP - 4)
    boxes: dict[str, list[tuple[float, float, float, float]]] = {fill: [] for fill, _ in _LEGEND}
    for line, row in enumerate(drawn):
        y = _TOP + line * _ROW
        canvas.text(f"{row.label[:36]}, {row.service}", _LABELS - 10, y + 13, anchor="end")
        for number, cell in enumerate(row.cells):
            left = _LABELS + number * wide + 4
            fill = _fill(cell)
            if fill:
                boxes[fill].append((left, y + 2, wide - 10, _ROW - 5))
            elif cell.met is not ServiceState.NOT_ASKED:
                canvas.rule(left, y + _ROW / 2, left + wide - 10, y + _ROW / 2)
    for fill, some in boxes.items():
        canvas.boxes(fill, some)
    return canvas.done()


_LEGEND = (
    ("high", "answers, against the policy"),
    ("medium", "needed, does not answer"),
    ("accepted", "risk accepted"),
    ("low", "answers"),
    ("untold", "not determined"),
)


def _fill(cell: Cell) -> str:
    if cell.verdict is Word.FAIL:
        return "accepted" if cell.accepted else "high" if cell.met is ServiceState.ANSWERS else "medium"
    return {ServiceState.ANSWERS: "low", ServiceState.UNCLEAR: "untold"}.get(cell.met, "")
