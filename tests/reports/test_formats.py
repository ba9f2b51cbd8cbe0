"""The formats by name, the JSON document and the table."""

from __future__ import annotations

import csv
import io
import json

import pytest

from hardenprobe.errors import UnknownName
from hardenprobe.model import Review
from hardenprobe.model.document import from_document
from hardenprobe.reports import FORMATS
from hardenprobe.reports.table import COLUMNS, neutral
from hardenprobe.testing import sample_review


def written(name: str, review: Review) -> bytes:
    out = io.BytesIO()
    FORMATS[name](review, out)
    return out.getvalue()  # fails where a writer closed what is not its own


def rows(review: Review) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(written("csv", review).decode("utf-8"), newline="")))


def test_an_unknown_format_is_refused_with_the_nearest() -> None:
    with pytest.raises(UnknownName, match=r"there is no report format 'htm'; did you mean html\?"):
        FORMATS["htm"]
    assert "htm" not in FORMATS
    assert set(FORMATS) >= {"html", "json", "csv"}


@pytest.mark.parametrize("name", ["html", "json", "csv"])
def test_the_same_review_gives_the_same_bytes(name: str) -> None:
    assert written(name, sample_review(4)) == written(name, sample_review(4))


@pytest.mark.parametrize("name", ["html", "json", "csv"])
def test_a_review_of_nothing_can_be_reported(name: str) -> None:
    assert written(name, sample_review(0))


@pytest.mark.parametrize("hostile", [False, True])
def test_the_document_comes_back_and_does_nothing_on_a_terminal(hostile: bool) -> None:
    review = sample_review(8, hostile)
    document = written("json", review)
    assert from_document(json.loads(document)) == review
    assert all(byte == 0x0A or 0x20 <= byte < 0x7F for byte in document)


def test_the_table_has_one_row_a_result() -> None:
    review = sample_review(4)
    table = rows(review)
    assert [row["finding"] for row in table] == [result.finding for result in review.results]
    assert tuple(table[0]) == COLUMNS
    telnet = table[0]
    assert telnet["device"] == telnet["asset_tag"] == "HO-0101"
    assert (telnet["endpoint"], telnet["result"], telnet["severity"], telnet["score"]) == (
        "23/tcp",
        "fail",
        "high",
        "7.8",
    )
    assert telnet["remedy"] == "Switch telnet off"
    assert telnet["controls"] == "SP 800-53 SC-8; SP 800-53 CM-7"
    assert telnet["observations"] == review.results[0].observations[0]
    assert any(row["reason"] == "off-link" and row["score"] == "" for row in table)


def test_no_cell_is_a_formula() -> None:
    for row in rows(sample_review(8, hostile=True)):
        for cell in row.values():
            assert not cell.lstrip().startswith(("=", "+", "-", "@"))
            assert cell.isprintable()


@pytest.mark.parametrize(
    ("cell", "shown"),
    [
        ("=1+1", "'=1+1"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@SUM(1)", "'@SUM(1)"),
        ("\t=1", r"'\x09=1"),
        ("\r=1", r"'\x0d=1"),
        ("  =1", "'  =1"),
        ("＝1", "'＝1"),
        ("a=1", "a=1"),
        (7.8, "7.8"),
        (None, ""),
    ],
)
def test_what_starts_a_formula_gets_an_apostrophe(cell: object, shown: str) -> None:
    assert neutral(cell) == shown
