"""Test results as JUnit XML, so that a pipeline shows findings as it shows failing tests.

There is no formal standard of it. What is written is the common part: `testsuites`, a `testsuite` for each device, a `testcase`
for each result, with `failure`, `error` or `skipped` inside where it did not pass. An open finding is a failure.
What was not determined, does not apply, is informational or is accepted is skipped, with the reason: none of it is a pass.
"""

from __future__ import annotations

from collections.abc import Iterable
from io import TextIOWrapper
from typing import BinaryIO
from xml.sax.saxutils import XMLGenerator
from xml.sax.xmlreader import AttributesImpl

from hardenprobe.model import Result, Word
from hardenprobe.reports.source import Piece, Source
from hardenprobe.reports.text import endpoint_text, reason_text, visible
from hardenprobe.reports.view import scores_text

_LIMIT = 2000  # characters of any one text


def write(source: Source, out: BinaryIO) -> None:
    """Write UTF-8."""
    text = TextIOWrapper(out, encoding="utf-8", newline="\n", write_through=True)
    try:
        _Writer(source, text).write()
    finally:
        text.detach()  # `out` belongs to the caller and stays open


class _Writer:
    def __init__(self, source: Source, text: TextIOWrapper) -> None:
        self.source = source
        self.xml = XMLGenerator(text, encoding="utf-8", short_empty_elements=True)
        self.title = {note.id: note.title for note in source.outline.checks}
        self.remedy = {advice.remedy.id: advice.remedy for advice in source.outline.what_first}

    def write(self) -> None:
        head = self.source.outline.head
        whole = _counts(result for piece in self.source.pieces() for result in piece.results)
        self.xml.startDocument()
        self._start("testsuites", name=f"hardenprobe {head.scope}", **whole)
        for piece in self.source.pieces():
            self._suite(piece, head.started)
        self._end("testsuites")
        self.xml.endDocument()

    def _suite(self, piece: Piece, started: str) -> None:
        device = piece.device
        counts = _counts(piece.results)
        # The common part knows no zone: the time is UTC.
        self._start("testsuite", name=device.label, timestamp=started.removesuffix("Z"), **counts)
        self._start("properties")
        self._property("device", device.id)
        self._property("review", self.source.outline.head.id)
        for address in device.addresses:
            self._property("address", address.address)
        self._end("properties")
        for result in piece.results:
            if result.result is not Word.NOTSELECTED:
                self._case(piece, result)
        self._end("testsuite")

    def _case(self, piece: Piece, result: Result) -> None:
        where = endpoint_text(result.endpoint, piece.device)
        subject = f", {result.subject}" if result.subject else ""
        title = self.title.get(result.check, result.check)
        name = f"{title}: {where}{subject}, from {result.vantage} ({result.finding[:12]})"
        self._start("testcase", classname=result.check, name=name, time="0")
        observed = f"Observed: {result.observed.text}\nExpected: {result.expected.text}\n"
        if result.stands:
            remedy = self.remedy.get(result.remedy or "")
            more = f"Score: {scores_text(result)} {result.vector or ''}\nFinding: {result.finding}\n"
            more += f"Remedy: {remedy.title}\n" if remedy else ""
            more += _dates_text(piece, result)
            self._inside(
                "failure", str(result.severity or "not rated"), result.observed.text, observed + more
            )
        elif result.result is Word.ERROR:
            self._inside("error", "error", result.observed.text, observed)
        elif result.exception:
            self._skipped(f"fail, accepted until {result.exception.until} (exception {result.exception.id})")
        elif result.result is not Word.PASS:
            why = f": {reason_text(result.reason)}" if result.reason else f": {result.observed.text}"
            self._skipped(f"{result.result}{why}")
        self._end("testcase")

    def _inside(self, element: str, kind: str, message: str, content: str) -> None:
        self._start(element, type=kind, message=message)
        self.xml.characters("\n".join(visible(line, _LIMIT) for line in content.split("\n")))
        self._end(element)

    def _skipped(self, message: str) -> None:
        self._start("skipped", message=message)
        self._end("skipped")

    def _property(self, name: str, value: str) -> None:
        self._start("property", name=name, value=value)
        self._end("property")

    def _start(self, element: str, **attributes: object) -> None:
        shown = {key: visible(value, _LIMIT) for key, value in attributes.items()}
        self.xml.startElement(element, AttributesImpl(shown))

    def _end(self, element: str) -> None:
        self.xml.endElement(element)
        self.xml.ignorableWhitespace("\n")


def _dates_text(piece: Piece, result: Result) -> str:
    dates = piece.dates.get(result.finding)
    owner = f"Owner: {piece.device.owner}\n" if piece.device.owner else ""
    if dates is None:
        return owner
    due = f"Due: {dates.due}{', overdue' if dates.overdue else ''}\n" if dates.due else ""
    return f"{owner}First seen: {dates.first_seen}\nOpen since: {dates.open_since}\n{due}"


def _counts(results: Iterable[Result]) -> dict[str, int]:
    tests = failures = errors = skipped = 0
    for result in results:
        if result.result is Word.NOTSELECTED:
            continue
        tests += 1
        if result.stands:
            failures += 1
        elif result.result is Word.ERROR:
            errors += 1
        elif result.result is not Word.PASS:
            skipped += 1
    return {"tests": tests, "failures": failures, "errors": errors, "skipped": skipped}
