"""One HTML file that needs nothing else: no request leaves it, and what a device wrote is only ever text in it."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from hardenprobe.records import Observation, Result, Review, Severity, Word
from hardenprobe.reports import text
from hardenprobe.reports.view import View, cost_text, duration_text, scores_text

if TYPE_CHECKING:
    from jinja2 import Template

_HERE = Path(__file__).parent
_LIMIT = 4000  # characters of any one text

_SQUARES = {Severity.HIGH: "■", Severity.MEDIUM: "◧", Severity.LOW: "□", None: "□"}
_SHAPES = {
    Word.PASS: "·",
    Word.ERROR: "×",
    Word.UNKNOWN: "?",
    Word.NOTCHECKED: "/",
    Word.NOTAPPLICABLE: "–",
    Word.NOTSELECTED: " ",
    Word.INFORMATIONAL: "i",
}
LEGEND = (
    ("fail high", "■", "fails, severity high"),
    ("fail medium", "◧", "fails, severity medium"),
    ("fail low", "□", "fails, severity low"),
    ("accepted", "▨", "fails, and an exception runs"),
    ("unknown", "?", "could not be told"),
    ("error", "×", "the check or the probe could not finish"),
    ("notchecked", "/", "not asked: the reach or a grant was missing"),
    ("pass", "·", "passes"),
    ("informational", "i", "for information, not rated"),
    ("notapplicable", "–", "does not apply"),
)
"""Class, shape and meaning of each mark in the picture of devices and checks."""


def write(review: Review, out: BinaryIO) -> None:
    """Write the page as UTF-8."""
    css, js = _read("page.css"), _read("page.js")
    page = _template().generate(
        v=View(review),
        review=review,
        text=text,
        legend=LEGEND,
        policy=_policy(css, js),
        css=css,
        js=js,
        cell=cell,
        proof=_Proof(),
        cost_text=cost_text,
        scores_text=scores_text,
        duration_text=duration_text,
    )
    out.writelines(part.encode("utf-8") for part in page)


def cell(results: list[Result]) -> tuple[str, str, str]:
    """Class, shape and meaning of what a check says of a device; `results` as `View.by_place` sorts them."""
    first = results[0]
    many = f"{len(results)} results, first: " if len(results) > 1 else ""
    if first.result is not Word.FAIL:
        reason = f", {first.reason}" if first.reason else ""
        return first.result.value, _SHAPES[first.result], f"{many}{first.result}{reason}"
    if first.exception:
        return "accepted", "▨", f"{many}fail, accepted until {first.exception.until}"
    severity = first.severity.value if first.severity else "not rated"
    return f"fail {severity}", _SQUARES[first.severity], f"{many}fail, {severity}"


class _Proof:
    """Remembers which observations were shown: their bytes stand under the first finding that they prove."""

    def __init__(self) -> None:
        self._shown: dict[str, str] = {}

    def first(self, obs: Observation[Any], finding: str) -> str | None:
        """Return None where `finding` is the first to show this observation, else the finding that shows it."""
        where = self._shown.setdefault(obs.id, finding)
        return None if where == finding else where


def _policy(css: str, js: str) -> str:
    def source(content: str) -> str:
        return "'sha256-" + base64.b64encode(hashlib.sha256(content.encode()).digest()).decode() + "'"

    return (
        f"default-src 'none'; style-src {source(css)}; script-src {source(js)}; "
        "base-uri 'none'; form-action 'none'"
    )


def _read(name: str) -> str:
    from markupsafe import Markup

    return Markup((_HERE / name).read_text(encoding="utf-8"))  # our own file, no device text in it


@cache
def _template() -> Template:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    def harmless(value: object) -> object:
        return value if isinstance(value, Markup) else text.visible(value, _LIMIT)

    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        finalize=harmless,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["words"] = _words
    return environment.get_template("page.html")


def _words(values: Iterable[object]) -> str:
    return ", ".join(str(value) for value in values)
