"""`hardenprobe scan --secrets`: a plan names secrets and never shows them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

TEXT = """
secrets: "hardenprobe.secrets/1"
users: [{name: "collector", auth: "SHA-256", auth_password: "canary-in-a-mine"}]
communities: [{label: "of the fleet", community: {env: "FLEET_COMMUNITY"}}]
"""


@pytest.fixture
def secrets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("FLEET_COMMUNITY", "canary-of-the-fleet")
    file = tmp_path / "secrets.yaml"
    file.write_text(TEXT)
    file.chmod(0o600)
    return file


def test_the_plan_says_which_secret_goes_where(command: Callable[..., Any], secrets: Path) -> None:
    told = command("scan", "127.0.0.1", "--secrets", str(secrets), "--dry-run")
    bare = command("scan", "127.0.0.1", "--dry-run")
    assert told.status == bare.status == 0
    assert (
        "SNMPv3 user 'collector' (SHA-256/no), community 'of the fleet', to devices of the inventory"
        in told.out
    )
    assert "canary" not in told.out + told.err
    assert told.out.split()[1] != bare.out.split()[1], (
        "the hash that is signed covers which secrets there are"
    )


def test_a_faulty_file_is_wrong_usage_and_shows_nothing(command: Callable[..., Any], secrets: Path) -> None:
    secrets.write_text(TEXT.replace('"canary-in-a-mine"', "[canary-in-a-mine]"))
    told = command("scan", "127.0.0.1", "--secrets", str(secrets), "--dry-run")
    assert told.status == 2
    assert "secrets.yaml:3" in told.err
    assert "canary" not in told.out + told.err
