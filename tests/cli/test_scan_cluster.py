"""`hardenprobe scan --cluster`: what is said before anything is sent."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from support.cluster import SCOPE

from hardenprobe.cli import cli
from hardenprobe.cluster import certificates
from hardenprobe.errors import UsageError

SEGMENTS = """\
inventory: "hardenprobe.inventory/1"
devices:
  - {asset_tag: "A-1", addresses: ["127.77.0.21"]}
segments:
  - {name: "lab", networks: ["127.77.0.0/24"], vantages: ["office", "guests"]}
"""


@pytest.fixture
def at(tmp_path: Path) -> list[str]:
    (folder,) = certificates.make(tmp_path / "c", ["scan"], days=1)
    return ["127.77.0.21", "--cluster", "tls://127.0.0.1:8786", "--certificates", str(folder), "--dry-run"]


def test_the_plan_says_which_vantage_point_asks_what(at: list[str], tmp_path: Path) -> None:
    (inventory := tmp_path / "inventory.yaml").write_text(SEGMENTS)
    done = CliRunner().invoke(cli, ["scan", *at, "--inventory", str(inventory)], env={"COLUMNS": "200"})
    assert done.exit_code == 0, done.exception
    said = " ".join(done.stdout.split())
    assert "office (workers of a cluster ask 127.77.0.0/24 from there); guests (workers" in said


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ([], "needs to know from where"),
        (["--vantage", "office", "--source", "127.0.0.1"], "--source is of this machine"),
        (["--vantage", "office", "--capture", "x.pcap"], "--capture is of this machine"),
        (["--vantage", "inventory"], "names what was read and not asked"),
    ],
)
def test_what_cannot_be_done_is_said_before_anything_is_sent(
    at: list[str], more: list[str], says: str
) -> None:
    done = CliRunner().invoke(cli, ["scan", *at, *more])
    assert isinstance(done.exception, UsageError)
    assert says in str(done.exception)


def test_probes_of_plug_ins_are_refused_and_multicast_is_left_out_with_a_notice(
    at: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    made = CliRunner().invoke(cli, ["checks", "new", "odd-answers", "--probe"])
    assert made.exit_code == 0, made.output
    (scope := tmp_path / "scope.yaml").write_text(SCOPE + 'grants: ["multicast:lo"]\n')
    asked = ["scan", *at, "--vantage", "office", "--scope", str(scope)]
    done = CliRunner().invoke(cli, [*asked, "--checks-from", "odd-answers"])
    assert isinstance(done.exception, UsageError)
    assert "--cluster runs no probes of plug-ins, and these are: " in str(done.exception)
    said = CliRunner().invoke(cli, [*asked, "--no-plugins"])
    assert said.exit_code == 0, said.exception
    assert "notice: multicast groups are not asked by a cluster" in said.stderr


def test_a_cluster_needs_a_certificate(at: list[str]) -> None:
    done = CliRunner().invoke(cli, ["scan", *at[:3]])
    assert done.exit_code == 2
    assert "--cluster and --certificates go together" in done.stderr
