"""Statements: what is refused, for whom they hold, and what is left unanswered."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.baseline import baseline
from hardenprobe.decisions import statements
from hardenprobe.decisions.entry import MOST_BYTES, Entry
from hardenprobe.decisions.inputs import InputError
from hardenprobe.decisions.statements import Statement, StatementRequest
from hardenprobe.model import Device
from hardenprobe.plugins import registry
from hardenprobe.standards import controls
from hardenprobe.testing import sample_review, tcp_port

TODAY = date(2026, 3, 10)
FLEET = sample_review(4).devices  # two of them have the tag public-area
ENCRYPTED = "stored-data-encrypted"


def asked(**changes: Any) -> StatementRequest:
    plain = {"control": ENCRYPTED, "device": "HO-0101", "answer": "yes", "by": "Imke Sandvoort",
             "until": "2027-03-10", "method": "examine"}  # fmt: skip
    return StatementRequest(**{**plain, **changes})


def made(id: str = "S-1", ended: str | None = None, **changes: Any) -> Statement:
    draft = statements.draft(asked(**changes), TODAY, Path())
    entry = Entry(number=1, at="", kind=draft.kind, subject=id, operator="", body=draft.body, digest="",
                  previous_digest=None)  # fmt: skip
    (one,) = statements.read([entry])
    return replace(one, ended=ended)


def rows(
    *given: Statement, today: str = "2026-04-01", must: tuple[str, ...] = (ENCRYPTED,)
) -> dict[str, list[str]]:
    """State and statement to the labels of the devices."""
    label = {d.id: d.label for d in FLEET}
    found = statements.answered(FLEET, lambda _: must, given, today)
    return {f"{r.state} {r.statement or ''}".strip(): [label[id] for id in r.devices] for r in found}


def test_every_control_has_a_question_and_a_method_of_sp_800_53a() -> None:
    """NIST SP 800-53A Rev. 5: assessment methods examine, interview and test."""
    known = controls.shipped()
    assert len(known) >= 20
    assert all(one.question.endswith("?") and one.controls for one in known.values())
    assert {one.method for one in known.values()} == {"examine", "interview", "test"}


def test_the_baseline_asks_for_controls_that_there_are() -> None:
    people = baseline.load(baseline.DEFAULT, registry.load(plugins=False)).people
    assert set(people) <= set(controls.shipped())
    assert ENCRYPTED in people


def test_what_nobody_answers_is_unanswered() -> None:
    assert rows() == {"unanswered": [d.label for d in FLEET]}
    assert rows(must=()) == {}


def test_a_device_before_a_tag_before_the_fleet() -> None:
    fleet = made("S-1", device=None, fleet=True)
    tag = made("S-2", device=None, tag="public-area", answer="partly")
    device = made("S-3", device="HO-0102", answer="no")
    everybody = [d.label for d in FLEET]
    tagged = [d.label for d in FLEET if "public-area" in d.tags]
    assert "HO-0102" in tagged and len(tagged) == 2
    assert rows(fleet) == {"answered S-1": everybody}
    assert rows(device, tag, fleet) == {
        "answered S-1": [label for label in everybody if label not in tagged],
        "answered S-2": [label for label in tagged if label != "HO-0102"],
        "answered S-3": ["HO-0102"],
    }


def test_of_two_alike_the_newer_counts() -> None:
    old, new = made("S-1", made="2026-01-01"), made("S-2", made="2026-02-01", answer="no")
    for given in ((old, new), (new, old)):
        assert rows(*given)["answered S-2"] == ["HO-0101"]
    assert rows(made("S-1"), made("S-2"))["answered S-2"] == ["HO-0101"], "then the one that was added later"


@pytest.mark.parametrize(
    ("today", "state"),
    [("2026-03-09", "unanswered"), ("2026-03-10", "answered S-1"), ("2027-03-10", "answered S-1"), ("2027-03-11", "expired S-1")],
)  # fmt: skip
def test_the_days(today: str, state: str) -> None:
    assert "HO-0101" in rows(made(), today=today)[state]


def test_what_is_taken_back_is_over() -> None:
    one = made(ended="2026-03-20")
    assert "answered S-1" in rows(one, today="2026-03-19")
    assert rows(one, today="2026-03-20")["expired S-1"] == ["HO-0101"]


def test_what_holds_is_an_observation_of_the_device_and_takes_the_place_of_the_old_one() -> None:
    port = tcp_port(23)
    before = {d.id: (port,) for d in FLEET}
    first = statements.observed(
        FLEET, before, [made(), made("S-2", ended="2026-03-10")], "2026-04-01T08:00:00Z", "2026-04-01"
    )
    told = first[FLEET[0].id][1].facts
    assert (told.statement, told.control, told.answer, told.about) == ("S-1", ENCRYPTED, "yes", "HO-0101")
    assert [len(first[d.id]) for d in FLEET] == [2, 1, 1, 1]
    again = statements.observed(
        FLEET, first, [made("S-3", answer="no")], "2026-04-01T08:00:00Z", "2026-04-01"
    )
    assert [o.facts.answer for o in again[FLEET[0].id][1:]] == ["no"]
    assert statements.observed(FLEET, again, [], "2026-04-01T08:00:00Z", "2026-04-01") == before


@pytest.mark.parametrize("name", ["HO-0101", "ho-0101.print.example.org", "127.0.0.10", FLEET[0].id])
def test_a_device_is_meant_by_any_of_its_names(name: str) -> None:
    assert rows(made(device=name))["answered S-1"] == ["HO-0101"]


def test_a_name_that_is_another_devices_asset_tag_means_that_one() -> None:
    thief = replace(FLEET[1], names=("HO-0101",))
    assert made().covers(FLEET[0])
    assert not made().covers(Device(id="x", addresses=FLEET[2].addresses, asset_tag="HO-01011"))
    assert made().covers(thief), "by itself a device is called by its names"


def test_a_file_is_read_named_and_hashed(tmp_path: Path) -> None:
    (tmp_path / "form.pdf").write_bytes(b"signed")
    draft = statements.draft(asked(file="form.pdf"), TODAY, tmp_path)
    assert draft.file == b"signed"
    assert (draft.body["file"], draft.body["file_bytes"]) == ("form.pdf", 6)
    assert draft.body["file_sha256"] == hashlib.sha256(b"signed").hexdigest()


@pytest.mark.parametrize(
    ("changes", "key", "says"),
    [
        pytest.param({"control": "stored-data-encryption"}, "control", "did you mean stored-data-encrypted", id="control"),
        pytest.param({"answer": "of course"}, "answer", "answer yes, no, partly, not applicable", id="answer"),
        pytest.param({"method": "guess"}, "method", "it is examine, interview, test", id="method"),
        pytest.param({"device": None}, "device", "say whom", id="nobody"),
        pytest.param({"fleet": True}, "device", "say whom", id="two of them"),
        pytest.param({"by": ""}, "by", "is empty", id="who"),
        pytest.param({"made": "2026-03-11"}, "made", "still to come", id="future"),
        pytest.param({"until": "2026-03-01"}, "until", "is before 2026-03-10", id="backwards"),
        pytest.param({"file": "nothing.pdf"}, "file", "No such file", id="no file"),
        pytest.param({"file": "big"}, "file", "larger than 10 MiB", id="a big file"),
    ],
)  # fmt: skip
def test_what_is_refused(tmp_path: Path, changes: dict[str, Any], key: str, says: str) -> None:
    with (tmp_path / "big").open("wb") as big:
        big.truncate(MOST_BYTES + 1)
    with pytest.raises(InputError) as caught:
        statements.draft(asked(**changes), TODAY, tmp_path)
    assert caught.value.key == key
    assert says in str(caught.value)
