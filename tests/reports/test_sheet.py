"""A page about one thing: what a device says does nothing there, and nothing leaves the page."""

from __future__ import annotations

import re
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.errors import UsageError
from hardenprobe.lifecycle.acceptance import Acceptance, Control, Finding, UndeterminedCheck
from hardenprobe.lifecycle.checklist import Answer, Answers
from hardenprobe.lifecycle.retirement import Retirement
from hardenprobe.reports import device_sheets, sheet
from hardenprobe.reports.sheet import Section, Sheet
from hardenprobe.reports.text import CAUTION, visible
from hardenprobe.testing import HOSTILE

ALLOWED = {
    "html",
    "head",
    "meta",
    "title",
    "style",
    "body",
    "main",
    "h1",
    "p",
    "table",
    "tr",
    "th",
    "td",
    "section",
    "h2",
}


class _Elements(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: set[str] = set()
        self.attributes: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.add(tag)
        self.attributes |= {name for name, _ in attrs}


def page(*texts: str) -> Sheet:
    rows = tuple((one, one) for one in texts)
    return Sheet(title=texts[0], verdict=texts[0], about=rows, sections=(Section(title="Said", rows=rows),))


@given(st.lists(st.sampled_from(HOSTILE) | st.text(max_size=50), min_size=1, max_size=4))
def test_whatever_is_said_is_only_text(texts: list[str]) -> None:
    made = sheet.html(page(*texts))
    elements = _Elements()
    elements.feed(made)
    assert elements.found == ALLOWED
    assert not {name for name in elements.attributes if name.startswith("on") or name in ("src", "href")}
    assert visible(texts[0], 2000) in unescape(made)
    plain = sheet.text(page(*texts), 80)
    assert all(visible(char) == char or char == "\n" for char in plain)
    assert CAUTION[:40] in plain and "default-src 'none'" in unescape(made)


def test_rows_hang_and_keep_to_the_width() -> None:
    lines = sheet.text(page("word " * 60), 60).splitlines()
    assert max(map(len, lines)) <= 60
    assert any(line.startswith("  word") for line in lines)


def test_the_ending_of_the_name_says_which(tmp_path: Path) -> None:
    for name, begins in (
        ("a.html", "<!DOCTYPE html>"),
        ("a.HTM", "<!DOCTYPE html>"),
        ("a.txt", "here"),
        ("a", "here"),
    ):
        sheet.write(page("here"), tmp_path / name)
        assert (tmp_path / name).read_text().startswith(begins)
    with pytest.raises(UsageError, match="-o .*none/a.txt: No such file"):
        sheet.write(page("here"), tmp_path / "none" / "a.txt")


def made(**changes: object) -> Acceptance:
    plain: dict[str, object] = {
        "device": "dev-1", "label": "HO-0101", "kind": "printer", "make_model": "Quillmark 40", "addresses": ("127.0.9.10",),
        "marks": (), "review": "r-1", "seen_at": "2026-03-02T21:00:00Z", "baseline": "office-device-strict/1",
        "baseline_hash": "ab" * 32, "words": {"fail": 2, "pass": 60}, "checks": ("cleartext-ftp", "cleartext-telnet"),
        "left_out": (), "findings": (), "untold": (), "statements": (),
    }  # fmt: skip
    return Acceptance(**{**plain, **changes})  # type: ignore[arg-type]


def finding(check: str, exception: str | None = None, lapsed: str | None = None) -> Finding:
    return Finding(finding="f", check=check, where="23/tcp", severity="high", score=7.8, observed="login:",
                   exception=exception, until="2026-04-01" if exception else None, lapsed=lapsed)  # fmt: skip


def section(one: Sheet, title: str) -> list[str]:
    return [": ".join(filter(None, row)) for s in one.sections if s.title == title for row in s.rows]


def test_an_acceptance_names_what_stands_and_what_is_covered() -> None:
    said = Control(
        control="c-1",
        question="?",
        state="answered",
        answer="no",
        statement="S-1",
        by="I",
        until="2027-01-01",
    )
    one = made(
        findings=(finding("cleartext-telnet", lapsed="E-1: expired on 2026-03-01"), finding("cleartext-ftp", "E-2")),
        untold=(UndeterminedCheck(check="a", word="unknown", reason="silent", must=True), UndeterminedCheck(check="b", word="unknown", reason="silent", must=False)),
        statements=(said, Control(control="c-2", question="?", state="expired", answer="yes", statement="S-2", by="I", until="x")),
        despite=("c-1",),
    )  # fmt: skip
    found = device_sheets.acceptance(one)
    assert found.verdict == "Not accepted: 1 open finding, 2 points missing."
    assert section(found, "Open findings") == [
        "high, 7.8: cleartext-telnet at 23/tcp: login: (E-1: expired on 2026-03-01)"
    ]
    assert section(found, "Findings with a risk acceptance") == [
        "high, 7.8: cleartext-ftp at 23/tcp: E-2, until 2026-04-01"
    ]
    assert section(found, "Not determined") == ["unknown, silent: a (required), b"]
    assert section(found, "Attestations") == ["c-1: no, by I, until 2027-01-01 (S-1), accepted all the same"]
    assert section(found, "Missing")[-1] == "expired by people: c-2"
    assert device_sheets.acceptance(made()).verdict == (
        "Nothing prevents acceptance, 0 checks not determined; nothing is stored yet."
    )


def test_a_kept_acceptance_fits_on_a_page_and_names_its_entry() -> None:
    """A4 takes about sixty lines of a hundred characters."""
    untold = tuple(
        UndeterminedCheck(check=f"check-{n}", word="unknown", reason="silent", must=False) for n in range(40)
    )
    text = sheet.text(device_sheets.acceptance(made(id="A-1", on="2026-03-20", untold=untold), "cd" * 32))
    assert "Accepted into the fleet on 2026-03-20 (A-1), 40 checks not determined." in text
    assert re.search(r"Ledger: entry A-1, SHA-256\s+(cd){32}", text)
    assert len(text.splitlines()) <= 60


def test_a_retirement_says_what_was_done_and_what_is_open() -> None:
    done = Answer(by="I", when="2026-03-19", evidence="form 17", method="purge")
    answers = Answers(by="M", reason="old", storage=done, monitoring=Answer(not_applicable="never watched"))
    one = Retirement(device="dev-1", label="HO-0101", kind="printer", make_model=None, addresses=("127.0.9.10",), ids=(),
                     marks=(), answers=answers, exceptions=("E-1",), reviews=3, lists=("l.txt:2: 127.0.9.10 names it",))  # fmt: skip
    found = device_sheets.retirement(one, ["accounts: open"])
    assert found.verdict == "Not retired: 1 point missing."
    assert section(found, "What was done") == [
        "Storage sanitised (clear, purge or destroy): purge; form 17; by I, 2026-03-19",
        "Certificate revoked: not answered yet",
        "Address taken out of lists of admitted sources: not answered yet",
        "Taken out of monitoring: not applicable: never watched",
        "Its accounts removed, on it and elsewhere: not answered yet",
        "Its risk acceptances: to be ended: E-1",
        "Its history: kept: 3 reviews, and every entry of the ledger",
    ]
    assert section(found, "Allow-lists that admit its address") == ["l.txt:2: 127.0.9.10 names it"]
