"""One page about one thing, as text for a terminal or a file, and as HTML that needs nothing else."""

from __future__ import annotations

import base64
import hashlib
import textwrap
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from hardenprobe.errors import UsageError
from hardenprobe.reports.text import CAUTION, visible

if TYPE_CHECKING:
    from jinja2 import Template

_HERE = Path(__file__).parent
_LIMIT = 2000  # characters of any one text
_HTML = (".html", ".htm")


@dataclass(frozen=True, kw_only=True)
class Section:
    """A heading with rows under it: what is meant, and what is said of it; "" for what needs no title."""

    title: str
    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """A page.

    Attributes:
        verdict: What it comes to, in a sentence.
        about: What stands above the sections.
    """

    title: str
    verdict: str
    about: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]


def text(sheet: Sheet, width: int = 100) -> str:
    """Write a page as plain text; what a device says can do nothing there but be read."""
    lines = [*_wrapped(sheet.title, width), *_wrapped(sheet.verdict, width), ""]
    lines += [line for row in sheet.about for line in _row(row, width)]
    for section in sheet.sections:
        lines += ["", section.title, "-" * len(section.title)]
        lines += [line for row in section.rows for line in _row(row, width)]
    return "\n".join([*lines, "", *_wrapped(CAUTION, width)]) + "\n"


def html(sheet: Sheet) -> str:
    """Write a page as one HTML file: no request leaves it, and device text is only ever text in it."""
    css = (_HERE / "sheet.css").read_text(encoding="utf-8")
    hashed = base64.b64encode(hashlib.sha256(css.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{hashed}'; base-uri 'none'; form-action 'none'"
    from markupsafe import Markup

    css_text = Markup(css)  # our own file, no device text in it
    return _template().render(sheet=sheet, css=css_text, policy=policy, caution=CAUTION)


def write(sheet: Sheet, to: Path) -> None:
    """Write a page to a file: HTML where its name ends so, else text.

    Raises:
        UsageError: The file cannot be written.
    """
    made = html(sheet) if to.suffix.lower() in _HTML else text(sheet)
    try:
        to.write_text(made, encoding="utf-8")
    except OSError as exc:
        raise UsageError(f"-o {to}: {exc.strerror}") from exc


def _row(row: tuple[str, str], width: int) -> list[str]:
    title, said = row
    return _wrapped(f"{title}: {said}" if title else said, width, hang="  ")


def _wrapped(said: str, width: int, hang: str = "") -> list[str]:
    plain = visible(said, _LIMIT)
    return textwrap.wrap(plain, width, subsequent_indent=hang, break_on_hyphens=False) or [""]


@cache
def _template() -> Template:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    def harmless(value: object) -> object:
        return value if isinstance(value, Markup) else visible(value, _LIMIT)

    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        finalize=harmless,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("sheet.html")
