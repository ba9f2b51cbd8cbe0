"""Errors: one line for a person, the facts as attributes, the same after a process boundary."""

from __future__ import annotations

import pickle

import pytest

from hardenprobe import errors
from hardenprobe.errors import (
    CeilingReached,
    ContractBroken,
    FileInvalid,
    HardenprobeError,
    LocalFault,
    MalformedReply,
    MayNotSpeak,
    PastTheDoor,
    ScatteredMasks,
    ScopeRefused,
    StoreHeld,
    StoreRefused,
    UnknownName,
    Unreachable,
    UsageError,
    clip,
)

ONE_OF_EACH = [
    ScopeRefused("192.0.2.1 is outside", "192.0.2.1"),
    FileInvalid("scope.yaml", 3, "the key 'name' is missing"),
    UnknownName("check", "cleartext-telnt", ["cleartext-telnet"]),
    StoreRefused("store x: it is read-only"),
    StoreHeld("store x: another process holds it"),
    ScatteredMasks(),
    MalformedReply("length beyond the end", 7),
    PastTheDoor("noisy tried to reach 192.0.2.1 port 9", "192.0.2.1"),
    MayNotSpeak("23/tcp may not be spoken to", "192.0.2.1"),
    LocalFault("no descriptor is left"),
    ContractBroken("expected a Check, got int"),
    CeilingReached("400 connections"),
    Unreachable("refused", "refusing"),
]


def test_the_tree_drawn_at_the_top_is_the_tree_there_is() -> None:
    assert errors.__doc__
    names = {type(e).__name__ for e in ONE_OF_EACH} | {"UsageError", "HardenprobeError"}
    defined = {
        name for name, one in vars(errors).items() if isinstance(one, type) and issubclass(one, Exception)
    }
    assert names == defined
    assert all(name in errors.__doc__ for name in names)


@pytest.mark.parametrize("error", ONE_OF_EACH, ids=lambda e: type(e).__name__)
def test_each_is_ours_and_one_line(error: HardenprobeError) -> None:
    assert isinstance(error, HardenprobeError)
    assert "\n" not in str(error)


@pytest.mark.parametrize("error", ONE_OF_EACH, ids=lambda e: type(e).__name__)
def test_each_survives_a_process_boundary(error: HardenprobeError) -> None:
    again = pickle.loads(pickle.dumps(error))
    assert type(again) is type(error)
    assert (str(again), vars(again)) == (str(error), vars(error))


def test_exit_status_2_is_for_the_callers_mistakes_alone() -> None:
    caller = {type(e).__name__ for e in ONE_OF_EACH if isinstance(e, UsageError)}
    assert caller == {
        "ScopeRefused",
        "PastTheDoor",
        "MayNotSpeak",
        "FileInvalid",
        "UnknownName",
        "StoreRefused",
        "StoreHeld",
        "ScatteredMasks",
    }


@pytest.mark.parametrize(
    ("line", "text"), [(3, "a.yaml:3: what is wrong"), (None, "a.yaml: what is wrong")], ids=["line", "none"]
)
def test_a_wrong_file_is_named_with_its_line(line: int | None, text: str) -> None:
    assert str(FileInvalid("a.yaml", line, "what is wrong")) == text


def test_an_unknown_name_proposes_the_nearest() -> None:
    error = UnknownName("check", "cleartext-telnt", ["cleartext-telnet", "snmp-v3-missing"])
    assert str(error) == "there is no check 'cleartext-telnt'; did you mean cleartext-telnet?"
    assert (error.name, error.nearest) == ("cleartext-telnt", ["cleartext-telnet"])


def test_an_unknown_name_that_resembles_nothing_says_where_to_look() -> None:
    text = str(UnknownName("check", "zzz", ["cleartext-telnet"], see="hardenprobe checks list"))
    assert text == "there is no check 'zzz'; see `hardenprobe checks list`"


@pytest.mark.parametrize(
    ("value", "text"),
    [("a\x1b[31m\n", r"'a\x1b[31m\n'"), ("x" * 200, "'" + "x" * 78 + "…"), (b"\xff", r"b'\xff'")],
    ids=["control characters", "long", "bytes"],
)
def test_clip_makes_a_value_harmless_and_short(value: object, text: str) -> None:
    assert clip(value) == text
    assert len(clip(value)) <= 80
