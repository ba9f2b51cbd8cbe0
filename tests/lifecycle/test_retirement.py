"""Taking a device out of the fleet: the points, their answers, and what the ledger keeps of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, fields, replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from support.tls import chain, tls_port

from hardenprobe.decisions import device_register, exceptions
from hardenprobe.decisions.entry import Draft, Entry
from hardenprobe.decisions.exceptions import RiskException
from hardenprobe.decisions.inputs import InputError
from hardenprobe.errors import FileInvalid, StoreRefused, UsageError
from hardenprobe.facts import NotMet
from hardenprobe.lifecycle import checklist, device_lookup, retirement
from hardenprobe.lifecycle.checklist import POINTS, Answer, Answers
from hardenprobe.model import Review
from hardenprobe.store.ledger import Ledger
from hardenprobe.store.opening import opened
from hardenprobe.store.store import Store
from hardenprobe.testing import HOSTILE, at, declared, sample_review

TODAY = date(2026, 3, 20)
FLEET = sample_review(3)
FIRST = FLEET.devices[0]
DONE = Answer(by="Imke Sandvoort", when="2026-03-19", evidence="form 17")
ALL = Answers(
    device=FIRST.id,
    by="Morag Kerr",
    reason="worn out",
    storage=replace(DONE, method="destroy"),
    certificate=replace(DONE, serial="0A:1B"),
    allow_lists=DONE,
    monitoring=Answer(not_applicable="it was never watched"),
    accounts=DONE,
)


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Store]:
    with opened(str(tmp_path / "store.db")) as found:
        yield found


def review(id: str = "20260302-210000-a", **changes: Any) -> Review:
    return replace(FLEET, head=replace(FLEET.head, id=id, previous=None, previous_digest=None), **changes)


def test_the_methods_are_those_of_sp_800_88() -> None:
    """NIST SP 800-88 Rev. 1, section 2.5: clear, purge, destroy."""
    assert checklist.METHODS == ("clear", "purge", "destroy")


def test_every_point_is_asked_for_and_every_answer_lets_it_go() -> None:
    missing = Answers().missing()
    assert [line.split(":")[0] for line in missing] == ["by", "reason", *POINTS]
    assert "by, when, evidence, method not said, nor not_applicable" in missing[2]
    assert ALL.missing() == []


answers = st.builds(
    Answer,
    **{
        key: st.sampled_from(["", "x"])
        for key in ("by", "when", "evidence", "not_applicable", "method", "serial")
    },
)


@pytest.mark.slow
@given(st.fixed_dictionaries(dict.fromkeys(POINTS, answers)), st.sampled_from(["", "x"]))
def test_a_point_is_open_while_one_of_its_words_is_missing(given_: dict[str, Answer], by: str) -> None:
    missing = {line.split(":")[0] for line in Answers(by=by, reason="r", **given_).missing()}
    for name, one in given_.items():
        extra = POINTS[name].extra
        whole = one.by and one.when and one.evidence and (extra is None or getattr(one, extra))
        assert (name not in missing) is bool(one.not_applicable or whole)
    assert ("by" in missing) is (by == "")


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "answers.yaml"
    path.write_text(text)
    return path


FILE = """\
retirement: "hardenprobe.retirement/1"
device: "HO-0101"
by: "Morag Kerr"
reason: "worn out"
storage:
  method: "destroy"
  by: "Imke Sandvoort"
  when: 2026-03-19
  evidence: "form 17"
monitoring: {not_applicable: "never watched"}
"""


def test_a_file_of_answers(tmp_path: Path) -> None:
    found = checklist.from_file(written(tmp_path, FILE), ("HO-0101", FIRST.id), TODAY)
    assert found.storage == replace(DONE, method="destroy")
    assert [line.split(":")[0] for line in found.missing()] == ["certificate", "allow_lists", "accounts"]


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ("/1", "/9", 1, "retirement is 'hardenprobe.retirement/9', expected 'hardenprobe.retirement/1'"),
        (
            "HO-0101",
            "HO-0102",
            2,
            "the answers are about 'HO-0102', which is not how the device to retire is called",
        ),
        (
            '"destroy"',
            '"shred"',
            6,
            "storage.method: is 'shred'; in the words of NIST SP 800-88 it is clear, purge, destroy",
        ),
        ("2026-03-19", "2026-03-21", 8, "storage.when: 2026-03-21 is still to come"),
        ("2026-03-19", '"last week"', 8, "storage.when: 'last week' is no day; write it as 2026-11-25"),
        ("evidence:", "proof:", 9, "unknown key 'proof'"),
        ("monitoring: {", 'monitoring: {by: "x", ', 10, "monitoring.by: is said beside not_applicable"),
        (
            "monitoring: {",
            'monitoring: {serial: "1", ',
            10,
            "monitoring.serial: is said beside not_applicable",
        ),
        (
            "not_applicable: ",
            "serial: ",
            10,
            "monitoring.serial: does not belong to monitoring; leave it out",
        ),
        ('monitoring: {not_applicable: "never watched"}', "monitoring: 1", 10, "monitoring is 1"),
        ("form 17", "x" * 2001, 9, "storage.evidence: is 2001 characters long"),
        ("worn out", "y" * 2001, 4, "reason: is 2001 characters long"),
        ("monitoring:", "monitor:", 10, "did you mean 'monitoring'?"),
    ],
)
def test_a_wrong_file_is_said_with_its_line(tmp_path: Path, old: str, new: str, line: int, says: str) -> None:
    assert old in FILE
    path = written(tmp_path, FILE.replace(old, new, 1))
    with pytest.raises(FileInvalid) as wrong:
        checklist.from_file(path, ("HO-0101",), TODAY)
    assert str(wrong.value).startswith(f"{path}:{line}: ") and says in str(wrong.value)


def test_options_share_one_person_and_one_day() -> None:
    given_ = {
        "by": "Morag Kerr",
        "reason": "worn out",
        "storage": "form 17",
        "method": "purge",
        "accounts": "seen",
    }
    found = checklist.from_options(given_, ["allow-lists=in none", "monitoring= none "], "d", TODAY)
    assert found.storage == Answer(by="Morag Kerr", when="2026-03-20", evidence="form 17", method="purge")
    assert found.accounts == Answer(by="Morag Kerr", when="2026-03-20", evidence="seen")
    assert (found.allow_lists.not_applicable, found.monitoring.not_applicable) == ("in none", "none")
    assert [line.split(":")[0] for line in found.missing()] == ["certificate"]


@pytest.mark.parametrize(
    ("given_", "not_applicable", "key", "says"),
    [
        ({"storage": "x", "method": "wipe"}, [], "method", "is 'wipe'"),
        ({"storage": "x", "when": "2027-01-01"}, [], "when", "still to come"),
        ({"storage": "x" * 2001}, [], "storage", "2001 characters"),
        ({}, ["disk=none"], "not_applicable", "the points are storage, certificate, allow-lists, monitoring, accounts"),
        ({}, ["storage="], "not_applicable", "is not POINT=WHY"),
        ({}, ["storage"], "not_applicable", "is not POINT=WHY"),
        ({"storage": "x"}, ["storage=none"], "storage", "is said beside not_applicable"),
    ],
)  # fmt: skip
def test_a_wrong_option_is_named(
    given_: dict[str, str], not_applicable: list[str], key: str, says: str
) -> None:
    with pytest.raises(InputError, match=says) as wrong:
        checklist.from_options(given_, not_applicable, "d", TODAY)
    assert wrong.value.key == key


def risk(id: str, device: str | None, until: str = "2026-06-01", tag: str | None = None) -> Draft:
    body = {
        "check": "cleartext-telnet", "device": device, "label": None, "tag": tag, "reason": "r", "compensating": "c",
        "requested_by": "a", "approved_by": "b", "starts": "2026-03-02", "until": until, "review": "x", "baseline": "b",
        "accepted": [],
    }  # fmt: skip
    return Draft(kind=exceptions.KIND, subject=id, body=body)


def test_a_retirement_ends_the_exceptions_of_its_device_and_no_other(kept: Store) -> None:
    kept.save(review())
    ledger = Ledger(kept)
    ledger.add([
        risk("E-1", FIRST.id), risk("E-2", "dev-other"), risk("E-3", FIRST.id, until="2026-03-19"),
        risk("E-4", None, tag="public-area"), risk("E-5", FIRST.id, until="2026-03-20"),
        Draft(kind=exceptions.END, subject="E-5", body={"by": "a", "reason": "b"}),
    ])  # fmt: skip
    made, named = retirement.leaving(kept, device_lookup.find(kept, FIRST.id), ())
    assert (named, made.reviews, made.ids) == ([], 1, (FIRST.id,))
    known = exceptions.read(ledger.entries())
    made = replace(made, answers=ALL)
    entry, *ends = ledger.add(retirement.drafts(made, known, "2026-03-20"))
    assert [(e.kind, e.subject, e.body["by"]) for e in ends] == [("exception-end", "E-1", "Morag Kerr")]
    read = retirement.read(entry)
    assert read == replace(made, id="R-1", on=entry.at[:10], exceptions=("E-1",))
    assert ledger.fault() is None
    after: dict[str, RiskException] = {one.id: one for one in exceptions.read(ledger.entries())}
    assert after["E-1"].ended and after["E-2"].ended is None and after["E-4"].ended is None
    turns = device_register.read(ledger.entries())
    with pytest.raises(UsageError, match=r"'HO-0101' was retired on .* already \(R-1\)"):
        retirement.leaving(kept, device_lookup.find(kept, FIRST.id), turns)


def test_one_that_is_gone_is_known_again_by_what_it_showed_last(kept: Store) -> None:
    """In the newest review nobody answered there; its certificate and its host key stand in the one before."""
    tls = at(443, tls_port("TLS 1.2", chains=(chain(serial="0a1b"), chain(serial="0a1b"))), protocol="tls")
    kept.save(review("20260301-000000-a", observations={**FLEET.observations, FIRST.id: (tls,)}))
    gone = declared(NotMet(asset_tag="HO-0101", addresses=("127.0.0.10",), why="silent", source="i.yaml"))
    missed = replace(FIRST, services=(), identity=())
    devices = (missed, *FLEET.devices[1:])
    kept.save(
        review("20260302-000000-b", devices=devices, observations={**FLEET.observations, FIRST.id: (gone,)})
    )
    found = device_lookup.find(kept, "HO-0101")
    assert (found.review, found.marks) == ("20260302-000000-b", ())
    made, _ = retirement.leaving(kept, found, ())
    assert (made.marks, made.serials, made.reviews) == ((("serial", "QM40-00000"),), ("0a1b",), 2)
    known = replace(made, answers=replace(ALL, certificate=replace(DONE, serial="0x0A:1B")))
    assert known.notes() == []
    other = replace(made, answers=replace(ALL, certificate=replace(DONE, serial="0A:1C")))
    assert "is none that the device was seen to show: 0a1b" in other.notes()[0]


def test_the_template_is_read_back_and_leaves_everything_open(tmp_path: Path, kept: Store) -> None:
    kept.save(review())
    made, _ = retirement.leaving(kept, device_lookup.find(kept, FIRST.id), ())
    path = written(tmp_path, retirement.template(made))
    found = checklist.from_file(path, (FIRST.id,), TODAY)
    assert [line.split(":")[0] for line in found.missing()] == ["by", "reason", *POINTS]


@pytest.mark.parametrize("text", HOSTILE)
def test_no_name_breaks_out_of_the_templates_comments(kept: Store, text: str) -> None:
    kept.save(review())
    made, _ = retirement.leaving(kept, device_lookup.find(kept, FIRST.id), ())
    hostile = replace(made, label=text, addresses=(text,), serials=(text,), lists=(text, text))
    lines = retirement.template(hostile).splitlines()
    assert yaml.safe_load("\n".join(lines)) == yaml.safe_load(retirement.template(made))
    assert all(char.isprintable() for line in lines for char in line)


def test_an_entry_of_another_version_is_said() -> None:
    entry = Entry(
        number=1, at="2026-03-20", kind="retirement", subject="R-1", operator="", digest="", previous_digest=None,
        body={"device": "d", "answers": {}},
    )  # fmt: skip
    with pytest.raises(StoreRefused, match="another version"):
        retirement.read(entry)


@given(st.builds(Answers, **dict.fromkeys(POINTS, answers)))
def test_what_is_kept_is_what_was_said(given_: Answers) -> None:
    made = retirement.Retirement(
        device="d", label="l", kind="printer", make_model=None, addresses=("127.0.9.10",), ids=("d",),
        marks=(("serial", "1"),), answers=given_,
    )  # fmt: skip
    (draft,) = retirement.drafts(made, (), "2026-03-20")
    assert {f.name for f in fields(retirement.Retirement)} - {"id", "on"} == set(draft.body)
    entry = Entry(number=1, at="2026-03-20T", kind="retirement", subject="R-1", operator="", digest="",
                  previous_digest=None, body=draft.body)  # fmt: skip
    assert asdict(retirement.read(entry)) == {**asdict(made), "id": "R-1", "on": "2026-03-20"}
