"""What the pictures are drawn on: inline SVG whose fillings differ by pattern, so that colour is never the only sign.

Colours are given twice: as attributes, for paper, and by classes, which the page's style sheet gives the colours of its theme.
"""

from __future__ import annotations

from typing import Any

from hardenprobe.reports.text import visible

ACCENT, INK, QUIET, RULE, PAPER = "#0b5660", "#1d2023", "#5c6166", "#d6d3cb", "#fcfbf8"
"""The colours of the light theme."""

_FONT = "Liberation Sans, DejaVu Sans, sans-serif"
_CROSS = "M0 3H6M3 0V6"
_HATCH = 4.0  # between two lines of a hatch, along either side of a box


def hatch(x: float, y: float, wide: float, tall: float) -> str:
    """Lines that rise to the right through a box, the same in every box of a size; the data of a path.

    >>> hatch(0, 0, 4, 4)
    'M0 2L2 0M2 4L4 2'
    """
    made, along = [], _HATCH / 2
    while along < wide + tall:
        low, up = max(0.0, along - tall), min(along, wide)
        made.append(f"M{x + low:.4g} {y + along - low:.4g}L{x + up:.4g} {y + along - up:.4g}")
        along += _HATCH
    return "".join(made)


class Canvas:
    """An SVG drawing.

    Args:
        name: Begins the ids of its patterns, which are unique on a page.
        said: What it shows, for whoever does not see it.
    """

    def __init__(self, name: str, width: int, height: int, said: str) -> None:
        import drawsvg

        self._svg: Any = drawsvg
        self._name = name
        # No device's text ever becomes an attribute: the library does not escape those.
        self._drawing = drawsvg.Drawing(
            width, height, role="img", aria_label=f"{name} picture", font_family=_FONT
        )
        self._drawing.append_title(said)
        for fill, size, content in (
            (
                "accepted",
                6,
                drawsvg.Path(_CROSS, fill="none", stroke=ACCENT, stroke_width=0.9, class_="p-line"),
            ),
            ("untold", 4, drawsvg.Circle(2, 2, 0.9, fill=QUIET, class_="p-quiet")),
        ):
            pattern = drawsvg.Pattern(size, size, patternUnits="userSpaceOnUse", id=f"{name}-{fill}")
            pattern.append(content)
            self._drawing.append_def(pattern)

    def boxes(self, fill: str, boxes: list[tuple[float, float, float, float]], *, over: bool = False) -> None:
        """Draw boxes of one filling; each is x, y, width and height.

        Args:
            over: Hide what is below.
        """
        if not boxes:
            return
        outlined = fill in ("medium", "low", "accepted")
        inset = 0.5 if outlined else 0.0
        line = "".join(
            f"M{x + inset:.4g} {y + inset:.4g}h{max(w - 2 * inset, 0.2):.4g}v{max(h - 2 * inset, 0.2):.4g}h{-max(w - 2 * inset, 0.2):.4g}z"
            for x, y, w, h in boxes
        )
        if over:
            self._drawing.append(self._svg.Path(line, fill=PAPER, class_="p-paper"))
        colour = {"high": ACCENT, "medium": "none", "low": "none"}.get(fill, f"url(#{self._name}-{fill})")
        stroke = {"stroke": ACCENT, "stroke_width": 1} if outlined else {}
        self._drawing.append(self._svg.Path(line, fill=colour, **stroke, class_=f"p-{fill}"))
        if fill == "medium":  # a pattern is cut differently in each small box, and printed coarsely
            lines = "".join(hatch(*box) for box in boxes)
            self._drawing.append(
                self._svg.Path(lines, fill="none", stroke=ACCENT, stroke_width=1.4, class_="p-line")
            )

    def text(self, text: object, x: float, y: float, *, anchor: str = "start", quiet: bool = False) -> None:
        """Write one line, whatever it holds."""
        colour, style = (QUIET, "p-quiet") if quiet else (INK, "p-ink")
        said = self._svg.Text(visible(text, 80), 12, x, y, text_anchor=anchor, fill=colour, class_=style)
        self._drawing.append(said)

    def upright(self, text: object, x: float, y: float) -> None:
        """Write one line that reads upwards and ends at a spot."""
        turned = f"rotate(-90 {x:.1f} {y:.1f})"
        said = self._svg.Text(
            visible(text, 18), 10, x, y, text_anchor="end", transform=turned, fill=INK, class_="p-ink"
        )
        self._drawing.append(said)

    def rule(self, x: float, y: float, to_x: float, to_y: float) -> None:
        self._drawing.append(self._svg.Line(x, y, to_x, to_y, stroke=RULE, class_="p-rule"))

    def curve(self, spots: list[tuple[float, float]], dash: str) -> None:
        """Join spots by straight lines."""
        line = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in spots)
        dashed = {"stroke_dasharray": dash} if dash else {}
        curve = self._svg.Path(line, fill="none", stroke=ACCENT, stroke_width=2, **dashed, class_="p-line")
        self._drawing.append(curve)

    def done(self) -> str:
        """The SVG element."""
        return str(self._drawing.as_svg(header="", skip_js=True, skip_css=True))
