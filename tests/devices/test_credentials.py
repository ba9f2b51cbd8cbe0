"""The secrets file: what it may say, and that no message, no text form and no plan ever shows a value."""

from __future__ import annotations

import copy
import pickle
from pathlib import Path

import pytest

from hardenprobe.devices import credentials
from hardenprobe.devices.credentials import Secret, Secrets, User
from hardenprobe.errors import FileInvalid

HEAD = 'secrets: "hardenprobe.secrets/1"\n'
CANARY = "canary-in-a-mine"
GOOD = (
    HEAD
    + f"""
users:
  - {{name: "collector", auth: "SHA-256", auth_password: "{CANARY}", priv: "AES-128", priv_password: {{env: "PRIV_WORD"}}}}
  - {{name: "panel"}}
communities:
  - {{label: "of the fleet", community: "{CANARY}"}}
"""
)


def load(folder: Path, text: str, mode: int = 0o600) -> Secrets:
    file = folder / "secrets.yaml"
    file.write_text(text)
    file.chmod(mode)
    return credentials.load(file)


def test_users_and_communities(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PRIV_WORD", "from the environment")
    found = load(tmp_path, GOOD)
    collector, panel = found.users
    assert collector.auth_password and collector.auth_password.reveal() == CANARY.encode()
    assert collector.priv_password and collector.priv_password.reveal() == b"from the environment"
    assert collector.levels == ("noAuthNoPriv", "authNoPriv", "authPriv")
    assert panel.levels == ("noAuthNoPriv",)
    assert found.communities[0].community.reveal() == CANARY.encode()
    assert found.labels == (
        "SNMPv3 user 'collector' (SHA-256/AES-128)",
        "SNMPv3 user 'panel' (no/no)",
        "community 'of the fleet'",
    )
    for shown in (repr(found), str(found), f"{found.communities[0].community}", repr(copy.copy(found))):
        assert CANARY not in shown
        assert "environment" not in shown


def test_a_secret_is_not_written_down() -> None:
    secret = Secret(CANARY)
    assert CANARY not in f"{secret!s} {secret!r} {secret:>20}"
    with pytest.raises(TypeError):
        pickle.dumps(secret)
    with pytest.raises(TypeError):
        copy.deepcopy(User(name="x", auth_password=secret))


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("users: []\n", "hardenprobe.secrets/1"),
        (HEAD + f"passwords: [{CANARY}]\n", "unknown key"),
        (HEAD + f"users: {CANARY}\n", "must be a list"),
        (HEAD + f"users: [{CANARY}]\n", "must have the keys"),
        (HEAD + f'users: [{{name: "a", auth: "{CANARY}"}}]\n', "auth must be one of"),
        (
            HEAD + f'users: [{{name: "a", auth: "MD5", auth_password: !x {CANARY}}}]\n',
            "cannot be read as YAML",
        ),
        (
            HEAD + f'users: [{{name: "a", auth: "MD5", auth_password: [{CANARY}]}}]\n',
            "must be a text in quotes",
        ),
        (HEAD + 'users: [{name: "a", auth: "MD5", auth_password: 8675309867}]\n', "must be a text in quotes"),
        (HEAD + 'users: [{name: "a", auth: "MD5", auth_password: "short"}]\n', "shorter than 8"),
        (HEAD + 'users: [{name: "a", auth: "MD5", auth_password: {env: "NOT_SET"}}]\n', "not set"),
        (HEAD + f'users: [{{name: "a", priv: "DES", priv_password: "{CANARY}"}}]\n', "priv needs auth"),
        (HEAD + 'users: [{name: "a"}, {name: "a"}]\n', "a name is repeated"),
        (HEAD + f"communities:\n  - {{label: 'x', community: '{CANARY}\n", "cannot be read as YAML"),
        (HEAD + f'communities: [{{community: "{CANARY}"}}]\n', "label must be a text"),
        (HEAD + 'communities: [{label: "x", community: ""}]\n', "shorter than 1"),
    ],
)
def test_a_fault_is_named_and_its_value_is_not(tmp_path: Path, text: str, match: str) -> None:
    with pytest.raises(FileInvalid, match=match) as caught:
        load(tmp_path, text)
    told: BaseException | None = caught.value
    while told is not None:  # what it came from as well
        for value in (CANARY, "8675309867", "short'"):
            assert value not in str(told)
        told = told.__cause__ or told.__context__


def test_a_file_that_everybody_may_read_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileInvalid, match="chmod 600"):
        load(tmp_path, HEAD, 0o644)
    assert load(tmp_path, HEAD).labels == ()


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FileInvalid, match="cannot be read"):
        credentials.load(tmp_path / "nowhere.yaml")
