"""The HTML report: whole, in one file, and inert whatever a device said."""

from __future__ import annotations

import base64
import hashlib
import io
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest

from hardenprobe.records import Reason, Result, Review, Severity, Word
from hardenprobe.reports import page
from hardenprobe.reports.text import CAUTION, SEVERITY_NOTE
from hardenprobe.testing import HOSTILE, sample_review


class Parsed(HTMLParser):
    """The elements of a page, its text, and what its script and style elements hold."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.raw: dict[str, list[str]] = {"script": [], "style": []}
        self._inside: str | None = None
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._inside = tag if tag in self.raw else None

    def handle_endtag(self, tag: str) -> None:
        self._inside = None

    def handle_data(self, data: str) -> None:
        if self._inside:
            self.raw[self._inside].append(data)
        else:
            self.text += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.elements if name == tag]


def html(review: Review) -> str:
    out = io.BytesIO()
    page.write(review, out)
    return out.getvalue().decode("utf-8")


@pytest.fixture(scope="module", params=[False, True], ids=["plain", "hostile"])
def parsed(request: pytest.FixtureRequest) -> Parsed:
    return Parsed(html(sample_review(8, hostile=request.param)))


def test_nothing_is_fetched(parsed: Parsed) -> None:
    assert not {tag for tag, _ in parsed.elements} & {
        "img",
        "link",
        "iframe",
        "object",
        "embed",
        "base",
        "video",
    }
    for tag, attrs in parsed.elements:
        assert not set(attrs) & {"src", "srcset", "action", "formaction", "background", "ping"}, tag
        assert not [name for name in attrs if name.startswith("on")], tag
        assert (attrs.get("href") or "#").startswith("#")
    assert "url(" not in "".join(parsed.raw["style"])


def test_the_policy_admits_our_style_and_script_and_nothing_else(parsed: Parsed) -> None:
    (policy,) = [m["content"] for m in parsed.all("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert policy is not None
    (style,), (script,) = parsed.raw["style"], parsed.raw["script"]

    def source(content: str) -> str:
        return "'sha256-" + base64.b64encode(hashlib.sha256(content.encode()).digest()).decode() + "'"

    assert policy.split("; ") == [
        "default-src 'none'", f"style-src {source(style)}", f"script-src {source(script)}",
        "base-uri 'none'", "form-action 'none'",
    ]  # fmt: skip
    assert not any("style" in attrs for _, attrs in parsed.elements)


def test_headings_come_in_order_and_every_link_arrives(parsed: Parsed) -> None:
    levels = [int(tag[1]) for tag, _ in parsed.elements if re.fullmatch(r"h\d", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    ids = [attrs["id"] for _, attrs in parsed.elements if "id" in attrs]
    assert len(ids) == len(set(ids))
    assert {(a["href"] or "")[1:] for a in parsed.all("a")} <= set(ids)


def test_tables_have_captions_and_scopes(parsed: Parsed) -> None:
    assert len(parsed.all("caption")) == len(parsed.all("table")) > 4
    assert all(th.get("scope") in ("col", "row") for th in parsed.all("th"))


def test_every_finding_has_its_place_and_its_bytes() -> None:
    review = sample_review(5)
    written = html(review)
    shown = Parsed(written)
    ids = {attrs.get("id") for _, attrs in shown.elements}
    proofs = {id for finding in review.findings for id in finding.observations}
    for finding in review.findings:
        assert f"finding-{finding.finding}" in ids
        assert (finding.vector or "") in shown.text
    assert {f"observation-{id}" for id in proofs} <= ids
    for observation in (o for seen in review.observations.values() for o in seen if o.id in proofs):
        for exchange in observation.transcript:
            assert bytes.fromhex(exchange.hex)[:8].hex(" ") in shown.text


def test_the_texts_that_must_be_there_are_there(parsed: Parsed) -> None:
    flat = " ".join(parsed.text.split())
    assert flat.count(CAUTION) == 1 + 4  # once at the end, and with each remedy
    assert SEVERITY_NOTE in flat
    for heading in ("Summary", "Devices and checks", "What to do first", "Devices", "Findings",
                    "What could not be determined, and why", "Coverage", "How it was asked", "Caution"):  # fmt: skip
        assert heading in flat
    for label in ("Needs first", "Stops working", "Ask first", "Undo", "Lock-out", "Confirm"):
        assert label in flat


def test_device_text_is_only_text() -> None:
    written = html(sample_review(8, hostile=True))
    shown = Parsed(written)
    assert [len(shown.raw[name]) for name in ("script", "style")] == [1, 1]
    assert HOSTILE[0] in shown.text
    assert HOSTILE[5] in shown.text  # template syntax stays what it was
    assert r"invoice\u202egpj.exe\u2066\u200b" in shown.text
    assert all(char == "\n" or char.isprintable() for char in written)


def _result(word: Word, score: float | None = None, severity: Severity | None = None) -> Result:
    return replace(
        sample_review(1).results[0], result=word, reason=None, score=score, severity=severity, exception=None
    )


@pytest.mark.parametrize("other", [Word.UNKNOWN, Word.ERROR, Word.NOTCHECKED])
def test_what_could_not_be_told_is_never_shown_as_a_pass(other: Word) -> None:
    device = sample_review(1).devices[0]
    review = replace(sample_review(1), results=(_result(Word.PASS), _result(other), _result(Word.PASS)))
    (found,) = page.View(review).by_place.values()
    kind, _, meaning = page.cell(found)
    assert (kind, meaning) == (other.value, f"3 results, first: {other}")
    assert page.View(review).counts[device.id].untold == 1


def test_the_worst_finding_speaks_for_a_place() -> None:
    low, high = _result(Word.FAIL, 2.6, Severity.LOW), _result(Word.FAIL, 7.8, Severity.HIGH)
    review = replace(sample_review(1), results=(low, _result(Word.ERROR), high))
    (found,) = page.View(review).by_place.values()
    assert page.cell(found) == ("fail high", "■", "3 results, first: fail, high")


def test_every_word_has_a_shape_of_its_own() -> None:
    shapes = [page.cell([_result(word)])[1] for word in Word if word is not Word.FAIL]
    shapes += [page.cell([_result(Word.FAIL, 1.0, severity)])[1] for severity in Severity]
    assert len(set(shapes)) == len(shapes)
    legend = {shape for _, shape, _ in page.LEGEND}
    assert set(shapes) - {" "} <= legend  # what was left out on purpose is an empty place


def test_what_was_left_out_on_purpose_is_not_counted() -> None:
    review = replace(sample_review(1), results=(_result(Word.NOTSELECTED), _result(Word.PASS)))
    view = page.View(review)
    assert (view.told, view.asked) == (1, 1)


def test_devices_with_the_same_label_are_counted_apart() -> None:
    review = sample_review(3)
    twins = tuple(replace(device, asset_tag="twin") for device in review.devices)
    untold = tuple(replace(_result(Word.UNKNOWN), device=device.id, reason=Reason.SILENT) for device in twins)
    (group,) = page.View(replace(review, devices=twins, results=untold)).untold
    assert len(group.devices) == 3


@pytest.mark.slow
@pytest.mark.peer
def test_a_browser_opens_it_and_no_device_text_acts(browse: Callable[[Path], str], tmp_path: Path) -> None:
    review = sample_review(8, hostile=True)
    file = tmp_path / "report.html"
    file.write_text(html(review), encoding="utf-8")
    dom = browse(file)
    shown = Parsed(dom)
    assert f"<title>hardenprobe review {review.head.id}</title>" in dom
    assert "owned" not in dom.split("</title>")[0]
    assert Counter(tag for tag, _ in shown.elements)["script"] == 1
    assert not shown.all("img")
    # Our own script ran, so the policy admits it: it uncovers the filter.
    (form,) = [attrs for attrs in shown.all("form") if attrs.get("id") == "filter"]
    assert "hidden" not in form


@pytest.mark.slow
@pytest.mark.peer
def test_the_policy_stops_a_script_that_is_not_ours(browse: Callable[[Path], str], tmp_path: Path) -> None:
    file = tmp_path / "report.html"
    page_html = html(sample_review(1))
    file.write_text(
        page_html.replace("<main>", "<main><script>document.title='owned'</script>"), encoding="utf-8"
    )
    assert "<title>owned</title>" not in browse(file)
    # Without the policy the same script acts, so the line above proves something.
    bare = re.sub(r"<meta http-equiv=\"Content-Security-Policy\"[^>]*>", "", page_html)
    file.write_text(bare.replace("<main>", "<main><script>document.title='owned'</script>"), encoding="utf-8")
    assert "<title>owned</title>" in browse(file)
