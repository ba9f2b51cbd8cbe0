"""The HTML report: whole, in one file, and inert whatever a device said."""

from __future__ import annotations

import base64
import gzip
import hashlib
import io
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

import pytest

from hardenprobe.model import Elsewhere, Review, Word
from hardenprobe.reports import FORMATS
from hardenprobe.reports.marks import mark
from hardenprobe.reports.page_data import BLOCK, kept_bytes
from hardenprobe.reports.text import CAUTION, SEVERITY_NOTE, reason_text
from hardenprobe.reports.view import View
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
    FORMATS["html"](review, out)
    return out.getvalue().decode("utf-8")


def unpacked(html: str) -> tuple[Any, list[Any]]:
    """The index and the blocks of a page."""
    index, *blocks = (
        json.loads(gzip.decompress(base64.b64decode(text)))
        for text in re.findall(r'<script type="text/plain"[^>]*>([^<]*)</script>', html)
    )
    return index, blocks


def opened(html: str) -> list[Any]:
    return unpacked(html)[1]


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
    assert all(
        (attrs.get("type"), attrs.get("src")) in (("text/plain", None), (None, None))
        for attrs in parsed.all("script")
    )


def test_the_policy_admits_our_style_and_script_and_nothing_else(parsed: Parsed) -> None:
    (policy,) = [m["content"] for m in parsed.all("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert policy is not None
    (style,), (*_, script) = parsed.raw["style"], parsed.raw["script"]

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
    goes = {a["data-goes"].removeprefix("device-") for a in parsed.all("a") if a.get("data-goes")}
    assert goes <= {device.id for device in sample_review(8).devices}


def test_tables_have_captions_and_scopes(parsed: Parsed) -> None:
    assert len(parsed.all("caption")) == len(parsed.all("table")) > 4
    assert all(th.get("scope") in ("col", "row") for th in parsed.all("th"))


def test_every_finding_is_in_a_block_with_its_bytes() -> None:
    review = sample_review(BLOCK + 5)
    blocks = opened(html(review))
    assert [len(block) for block in blocks] == [BLOCK, 5]
    devices = [device for block in blocks for device in block]
    shown = {one["id"]: (device, one) for device in devices for one in device["findings"]}
    assert set(shown) == {finding.finding for finding in review.findings}
    kept = {obs.id: obs for seen in review.observations.values() for obs in seen}
    for finding in review.findings:
        device, one = shown[finding.finding]
        told = dict(one["told"])
        assert told["Observed"] == finding.observed.text
        assert finding.vector in told["Score"]
        assert one["severity"] == finding.severity
        for place, id in zip(one["proofs"], finding.observations, strict=True):
            proof = device["proofs"][place]
            assert id in proof["about"]
            assert [part[1] for part in proof["bytes"]] == [exchange.hex for exchange in kept[id].transcript]


def test_every_other_result_is_in_a_block_with_its_reason() -> None:
    review = sample_review(6)
    index, (block,) = unpacked(html(review))
    others = [(index["checks"][row[0]][0], row[4]) for device in block for row in device["others"]]
    expected = [
        (r.check, reason_text(r.reason) if r.reason else "")
        for r in review.results
        if r.result is not Word.FAIL
    ]
    assert sorted(others) == sorted(expected)


def test_the_index_marks_every_place() -> None:
    review = sample_review(7)
    index, _ = unpacked(html(review))
    for n, device in enumerate(review.devices):
        assert index["label"][n] == device.label
        for check, code in zip((id for id, _ in index["checks"]), index["row"][n], strict=True):
            assert code == mark([r for r in review.results if (r.device, r.check) == (device.id, check)]).code
    assert sorted(index["order"]) == list(range(7))
    assert index["networks"] == ["127.0.0.0/24"]


def test_an_exchange_is_cut_where_there_are_many_devices() -> None:
    assert kept_bytes(1) == 2048
    assert kept_bytes(1000) == 62
    assert kept_bytes(10_000) == 48


def test_a_block_tells_which_findings_it_may_hold() -> None:
    review = sample_review(2 * BLOCK + 1)
    written = html(review)
    told = re.findall(r'class="block" data-findings="([0-9a-z-]*)"', written)
    blocks = opened(written)
    assert len(told) == len(blocks) == 3
    for findings, block in zip(told, blocks, strict=True):
        held = {one["id"][:4] for device in block for one in device["findings"]}
        assert {findings[at : at + 4] for at in range(0, len(findings), 4)} == held


def test_a_proof_names_its_packets_and_coverage_says_who_is_known() -> None:
    review = sample_review(2)
    first, second = review.devices
    seen = {
        id: tuple(replace(one, packets=((3, 5), (9, 9))) for one in all)
        for id, all in review.observations.items()
    }
    coverage = replace(
        review.coverage,
        listed_seen=("HO-0101",),
        seen_elsewhere=(
            Elsewhere(
                asset_tag="HO-0101", device=first.id, what="address", listed=("192.0.2.1",), seen=("<b>",)
            ),
        ),
        accepted=(first.id,),
        not_accepted=(second.id,),
    )
    written = html(replace(review, observations=seen, coverage=coverage))
    (block,) = opened(written)
    assert all(
        "Packets 3-5, 9 of the capture." in proof["about"] for device in block for proof in device["proofs"]
    )
    text = " ".join(Parsed(written).text.split())
    assert "HO-0101: at <b>, listed at 192.0.2.1" in text
    assert f"Not accepted yet {second.label}".replace(" ", "") in text.replace(" ", "")


def test_the_matrix_is_grouped_by_family_and_its_labels_are_short() -> None:
    index, _ = unpacked(html(sample_review(6)))
    families = [index["families"][check] for check in index["columns"]]
    assert len([1 for one, next_ in pairwise(families) if one != next_]) == len(set(families)) - 1
    assert all(len(index["short"][check]) <= 30 for check in index["columns"])


def test_each_remediation_is_there_once_and_names_its_devices() -> None:
    review = sample_review(6)
    shown = Parsed(html(review))
    plan = [a["id"] for tag, a in shown.elements if tag == "details" and a.get("class") == "remedy"]
    assert plan == [f"remedy-{one.remedy.id}" for one in review.what_first]
    assert "open" not in {key for tag, a in shown.elements if tag == "details" for key in a}
    view = View(review)
    for advice in review.what_first:
        assert f"{view.effort(advice)}, " in " ".join(shown.text.split())


@pytest.mark.slow
def test_a_thousand_devices_stay_under_five_megabytes() -> None:
    assert len(html(sample_review(1000)).encode()) < 5e6


def test_the_texts_that_must_be_there_are_there(parsed: Parsed) -> None:
    flat = " ".join(parsed.text.split())
    assert flat.count(CAUTION) == 1
    assert SEVERITY_NOTE in flat
    places = [flat.index(heading) for heading in (
        "What to do first", "In the order of work", "Show only", "Appendices", "None of this counts as a pass", "planned,",
        "Checks of this review", "Scan by")]  # fmt: skip
    assert places == sorted(places), "the answer, the plan, devices and findings, the appendices"
    for label in ("Prerequisites", "Impact", "Coordinate with", "Rollback", "Lock-out risk", "Verification"):
        assert label in flat


def test_device_text_is_only_text() -> None:
    written = html(sample_review(8, hostile=True))
    shown = Parsed(written)
    assert [len(shown.raw[name]) for name in ("script", "style")] == [3, 1]  # index, a block, and the script
    assert HOSTILE[0] in shown.text
    assert all(char == "\n" or char.isprintable() for char in written)
    index, (block,) = unpacked(written)
    packed = json.dumps([index, block], ensure_ascii=False)
    assert r"invoice\\u202egpj.exe\\u2066\\u200b" in packed
    assert all(char.isprintable() for char in packed)
