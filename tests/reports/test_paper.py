"""The report on paper."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest
from pypdf import PdfReader

from hardenprobe.errors import UsageError
from hardenprobe.model import Review
from hardenprobe.reports import FORMATS, paper
from hardenprobe.reports.text import CAUTION
from hardenprobe.testing import sample_review

Written = Callable[[str, Any], bytes]


def laid_out(test: Any) -> Any:
    """A test that lays out pages, which takes seconds and a library of the system."""
    return pytest.mark.slow(pytest.mark.peer(pytest.mark.usefixtures("pango")(test)))


def read(written: Written, review: Review) -> tuple[Any, list[str]]:
    reader = PdfReader(io.BytesIO(written("pdf", review)))
    return reader, [" ".join(page.extract_text().split()) for page in reader.pages]


@pytest.fixture(scope="module")
def pages(pango: None) -> tuple[Any, list[str]]:
    out = io.BytesIO()
    FORMATS["pdf"](sample_review(8), out)
    reader = PdfReader(out)
    return reader, [" ".join(page.extract_text().split()) for page in reader.pages]


@laid_out
def test_every_page_has_its_number_and_a_reminder(pages: tuple[Any, list[str]]) -> None:
    _, texts = pages
    assert len(texts) > 3
    for number, text in enumerate(texts, 1):
        assert f"{number} of {len(texts)}" in text
        assert "one device before the fleet" in text


@laid_out
def test_the_contents_list_names_the_pages_that_the_sections_are_on(
    pages: tuple[Any, list[str]],
) -> None:
    reader, texts = pages
    contents = texts[0].partition(" Contents ")[2]
    listed = dict(re.findall(r"([A-Z][\w ,]*?) ?\.{5,} ?(\d+)", contents))
    assert {"Summary", "Remediation plan", "Devices", "Findings", "Appendices"} <= listed.keys()
    # The bookmarks of the file say independently where a heading is.
    marked = {}
    for one in reader.outline[1] if isinstance(reader.outline[1], list) else reader.outline:
        if not isinstance(one, list):
            marked[one.title] = reader.get_destination_page_number(one) + 1
    assert {title: int(page) for title, page in listed.items()} == {title: marked[title] for title in listed}


@laid_out
def test_it_says_what_a_reader_needs(pages: tuple[Any, list[str]]) -> None:
    reader, texts = pages
    whole = " ".join(texts)
    assert CAUTION in texts[0]
    for advice in sample_review(8).what_first:
        assert advice.remedy.title in whole and advice.remedy.undo in whole
    for finding in sample_review(8).findings:
        assert finding.observed.text in whole
    assert reader.metadata.title == "hardenprobe review 20260302T210000-7c1e"
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]  # tagged, for screen readers: ISO 32000-1, 14.7


@laid_out
def test_what_a_device_wrote_is_text_and_nothing_is_fetched(
    written: Written, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []
    monkeypatch.setattr(paper, "_nothing", lambda url, *_, **__: asked.append(url))
    reader, texts = read(written, sample_review(8, hostile=True))
    assert asked == []
    assert "<script>document.title='owned'</script>" in " ".join(texts)
    assert all(one.get_object().get("/A", {}).get("/S") != "/URI" for page in reader.pages for one in page.get("/Annots", ()))  # fmt: skip


@laid_out
def test_the_worst_findings_are_printed_and_the_rest_is_counted(
    written: Written, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(paper, "MOST", 4)
    review = sample_review(8)
    _, texts = read(written, review)
    whole = " ".join(texts)
    assert f"The 4 findings that matter most, of {len(review.findings)}" in whole
    assert "The 4 devices with the worst findings, of 8" in whole
    assert "cleartext-telnet" in whole


@laid_out
def test_another_reader_takes_it(written: Written, tmp_path: Any) -> None:
    program = shutil.which("pdftotext")
    if program is None:
        pytest.skip("needs the Debian package poppler-utils")
    file = tmp_path / "report.pdf"
    file.write_bytes(written("pdf", sample_review(2)))
    done = subprocess.run([program, file, "-"], capture_output=True, text=True, check=True, timeout=30)
    assert "Harbour office printers" in done.stdout
    assert done.stderr == ""


def test_a_missing_library_is_named_with_the_way_to_mend_it(
    written: Written, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(UsageError, match=r"pip install 'hardenprobe\[pdf\]'"):
        written("pdf", sample_review(1))
