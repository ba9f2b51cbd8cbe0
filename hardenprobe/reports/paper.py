"""The page on paper: a PDF with page numbers and a contents list, from the page's templates."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, BinaryIO, NamedTuple

from hardenprobe.errors import UsageError
from hardenprobe.model import Device, Result, Word
from hardenprobe.reports.marks import weight
from hardenprobe.reports.render import context, read, template
from hardenprobe.reports.source import Source
from hardenprobe.reports.survey import Survey
from hardenprobe.reports.usage_text import users

MOST = 1000
"""Findings and devices that are printed: paper is laid out in memory, and no one reads more. The worst come first."""


class Line(NamedTuple):
    """A finding as it is printed; `users` says who uses the service, "" where nothing is kept of that."""

    device: Device
    result: Result
    users: str


def write(source: Source, out: BinaryIO) -> None:
    """Write a PDF.

    Raises:
        UsageError: The library that makes it is not installed, or a library of the system that it needs.
    """
    try:
        import weasyprint
    except (ImportError, OSError) as exc:
        raise UsageError(
            "--format pdf needs the extra 'pdf' (`pip install 'hardenprobe[pdf]'`) and the system's Pango library; "
            f"missing here: {_first_line(exc)}"
        ) from exc
    survey = Survey(source)
    page = template("paper.html").render(
        **context(survey),
        css=read("page.css"),
        paper_css=read("paper.css"),
        groups=_groups(survey),
        printed=MOST,
        paper=True,
    )
    document = weasyprint.HTML(string=page, url_fetcher=_nothing, base_url=None)
    document.write_pdf(out, pdf_identifier=survey.review.head.id.encode(), pdf_tags=True)


def _groups(survey: Survey) -> Mapping[str, list[Line]]:
    """The worst findings by check, the check with the worst finding first."""
    worst = sorted(_failed(survey), key=lambda line: weight(line.result))[:MOST]
    groups: dict[str, list[Line]] = {}
    for line in worst:
        groups.setdefault(line.result.check, []).append(line)
    return groups


def _failed(survey: Survey) -> Iterator[Line]:
    for piece in survey.source.pieces():
        for result in piece.results:
            if result.result is Word.FAIL:
                usage = piece.usage.get(result.finding)
                yield Line(survey.device[piece.device.id], result, users(usage) if usage else "")


def _nothing(url: str, *_: Any, **__: Any) -> dict[str, Any]:
    """What is printed needs nothing from outside; whatever names an address is a mistake."""
    raise ValueError(f"nothing is fetched: {url[:80]}")


def _first_line(exc: BaseException) -> str:
    return next(iter(str(exc).splitlines()), type(exc).__name__)
