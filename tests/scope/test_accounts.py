"""Who runs a scan comes from the account database, and one person has one name however it is written."""

from __future__ import annotations

import os
import pwd
import subprocess

import pytest

from hardenprobe.scope.accounts import operator, same_person


def test_the_operator_is_the_account_whatever_the_environment_says(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against id(1), which asks the same database."""
    for name in ("LOGNAME", "USER", "LNAME", "USERNAME"):
        monkeypatch.setenv(name, "somebody-else")
    told = subprocess.run(["id", "-un"], capture_output=True, text=True, check=True).stdout.strip()
    assert operator() == told != "somebody-else"


def test_an_account_without_an_entry_is_named_by_its_number(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 4_200_000_001)
    assert operator() == "uid 4200000001"


@pytest.mark.parametrize(
    "other",
    [
        "imke sandvoort",
        "IMKE SANDVOORT",
        "  Imke   Sandvoort ",
        "Imke\u00a0Sandvoort",  # no-break space
        "\uff29mke Sandvoort",  # full-width I
        "Imke\u200b Sandvoort",  # zero width space
        "Imke Sand\u00advoort",  # soft hyphen
    ],
)
def test_another_way_to_write_a_name_is_no_other_person(other: str) -> None:
    assert same_person("Imke Sandvoort", other)


def test_letters_that_case_folding_joins() -> None:
    """Unicode CaseFolding: sharp s folds to ss; a composed and a decomposed letter are one under NFKC."""
    assert same_person("Gro\u00df", "GROSS")
    assert same_person("Ren\u00e9", "Rene\u0301")
    assert not same_person("Imke Sandvoort", "Imke Sandvort")


def test_an_account_and_the_name_of_its_holder_are_one_person(monkeypatch: pytest.MonkeyPatch) -> None:
    entry = pwd.struct_passwd(("isand", "x", 1001, 1001, "Imke Sandvoort,Room 2,,", "/home/isand", "/bin/sh"))
    monkeypatch.setattr(pwd, "getpwall", lambda: [entry])
    assert same_person("isand", "IMKE sandvoort")
    assert not same_person("isand", "Room 2") and not same_person("", "Room 2")
