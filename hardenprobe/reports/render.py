"""The templates that page and paper share, and what they are given."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hardenprobe.reports import marks, pictures, reach, text
from hardenprobe.reports.survey import Survey
from hardenprobe.reports.view import cost_text, duration_text

if TYPE_CHECKING:
    from jinja2 import Environment, Template
    from markupsafe import Markup

HERE = Path(__file__).parent
_LIMIT = 4000  # characters of any one text
_ID = re.compile(r"\b\w[\w.]*(?:-\w[\w.]*)+")
LISTED = 30
"""Devices that are named in one place; the lists of devices hold all."""


def own(text: str) -> Markup:
    """Markup without device text that was not made harmless."""
    from markupsafe import Markup

    return Markup(text)


def read(name: str) -> Markup:
    """A file of this package."""
    return own((HERE / name).read_text(encoding="utf-8"))


def context(survey: Survey) -> dict[str, Any]:
    """What every template is given."""
    trend = survey.source.trend()
    return {
        "v": survey,
        "digest": survey.source.digest,
        "bag": survey.source.bag,
        "review": survey.review,
        "text": text,
        "marks": marks,
        "by_check": survey.by_check(),
        "fleet": own(pictures.fleet(survey)),
        "fleet_said": pictures.fleet_said(survey),
        "history": own(pictures.history(trend) or pictures.by_severity(survey)),
        "history_said": pictures.history_said(trend) if trend else "",
        "reach_picture": own(reach.picture(survey.reach, survey.review.vantages)),
        "reach_said": reach.said(survey.reach),
        "reach_drawn": reach.DRAWN,
        "risk": own(pictures.risk(survey)),
        "cost_text": cost_text,
        "duration_text": duration_text,
        "listed": LISTED,
    }


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    def harmless(value: object) -> object:
        return value if isinstance(value, Markup) else text.visible(value, _LIMIT)

    environment = Environment(
        loader=FileSystemLoader(HERE),
        autoescape=True,
        finalize=harmless,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["words"] = _words
    environment.filters["whole"] = _whole
    return environment


def template(name: str) -> Template:
    """A template, in which every value that is not ours is shown by `text.visible` and escaped."""
    return _environment().get_template(name)


def _whole(value: object) -> Markup:
    """A text whose ids and names do not break at their hyphens, as long as a line has room for them."""
    from markupsafe import escape

    return own(_ID.sub(r'<span class="whole">\g<0></span>', str(escape(text.visible(value, _LIMIT)))))


def _words(values: Iterable[object]) -> str:
    return ", ".join(str(value) for value in values)
