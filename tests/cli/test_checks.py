"""`hardenprobe checks`, `baseline` and `scope lint`, and third-party checks that come as installed packages."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.cli import CAUTION
from hardenprobe.plugins import registry
from hardenprobe.standards.rule_files import shipped_baselines

Command = Callable[..., Any]
CHECKS = registry.load(plugins=False).checks

GOOD = '''"""A port answers on Sundays.

Fails when
    It is Sunday.
Passes when
    It is not.
Unknown when
    Nobody looked.
Reach
    look: nothing is sent.
Why it matters
    It does not.
Sources
    Invented for this test
"""

from hardenprobe.checking.absence import off_tcp
from hardenprobe.checking.check import Check
from hardenprobe.facts import TcpPort
from hardenprobe.remediation.general import TELNET_OFF


def judge(seen, expect):
    yield off_tcp(seen, "no port answers on Sundays")


CHECK = Check(
    id="sunday-service",
    document=__doc__,
    reads=(TcpPort,),
    judge=judge,
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:ND/EM:A"},
    remedy=TELNET_OFF,
    controls=("CM-7",),
)
'''


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A package with one good check and three that cannot be used."""
    folder = tmp_path / "site"
    info = folder / "sunday_checks-1.4.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: sunday-checks\nVersion: 1.4\n")
    (info / "entry_points.txt").write_text(
        "[hardenprobe.checks]\n"
        "sunday-service = sunday_checks:CHECK\n"
        "cleartext-telnet = sunday_checks:CHECK\n"
        "broken-import = sunday_missing:CHECK\n"
        "no-check = sunday_checks:judge\n"
    )
    (folder / "sunday_checks.py").write_text(GOOD)
    monkeypatch.syspath_prepend(str(folder))


def test_list_names_every_check_once(command: Command) -> None:
    ended = command("checks", "list", "--no-plugins")
    assert (ended.status, ended.err) == (0, "")
    known = registry.load(plugins=False).checks
    lines = ended.out.splitlines()
    assert [line.split()[0] for line in lines] == sorted(known)
    assert all(known[line.split()[0]].title in line for line in lines)


@pytest.mark.parametrize("name", sorted(CHECKS))
def test_every_check_can_be_read(command: Command, name: str) -> None:
    ended = command("checks", "show", name, "--no-plugins")
    assert (ended.status, ended.err) == (0, "")
    text = " ".join(ended.out.split())
    for part in (
        name,
        CHECKS[name].title,
        "Why it matters",
        "How it is asked, and at what cost",
        "What a result means",
        *CHECKS[name].vectors.values(),
        *CHECKS[name].remedy.steps,
        CHECKS[name].remedy.lock_out,
        CHECKS[name].remedy.undo,
        CHECKS[name].remedy.confirm,
        CAUTION,
        *CHECKS[name].controls,
        "Sources",
        *CHECKS[name].references,
    ):
        assert " ".join(part.split()) in text
    assert max(map(len, ended.out.splitlines())) <= 80


@pytest.mark.parametrize(
    ("name", "says"),
    [("cleartext-telent", "did you mean cleartext-telnet"), ("xyz", "hardenprobe checks list"), ("\x1b[31m", "'\\x1b[31m'")],
)  # fmt: skip
def test_unknown_check_proposes_the_nearest(command: Command, name: str, says: str) -> None:
    ended = command("checks", "show", name)
    assert (ended.status, ended.out) == (2, "")
    assert says in ended.err and "\x1b" not in ended.err


@pytest.mark.usefixtures("installed")
def test_third_party_checks_are_named_with_their_origin_and_broken_ones_with_what_is_wrong(
    command: Command,
) -> None:
    ended = command("checks", "list")
    assert ended.status == 0
    (line,) = [one for one in ended.out.splitlines() if one.startswith("sunday-service")]
    assert "A port answers on Sundays  (from sunday-checks 1.4)" in line
    assert len([one for one in ended.out.splitlines() if one.startswith("cleartext-telnet")]) == 1
    for name in ("cleartext-telnet", "broken-import", "no-check"):
        assert f"check {name} from sunday-checks 1.4 cannot be used: " in ended.err
    assert "expected a Check, got function" in ended.err
    assert "from sunday-checks 1.4" in command("checks", "show", "sunday-service").out


@pytest.mark.usefixtures("installed")
def test_no_plugins_leaves_all_of_them_out(command: Command) -> None:
    ended = command("checks", "list", "--no-plugins")
    assert "sunday" not in ended.out + ended.err
    assert command("checks", "show", "sunday-service", "--no-plugins").status == 2


@pytest.mark.slow
def test_baselines(command: Command) -> None:
    listed = command("baseline", "list")
    assert listed.status == 0
    assert {line.split()[0] for line in listed.out.splitlines()} == set(shipped_baselines())
    for name, file in shipped_baselines().items():
        shown = command("baseline", "show", name)
        assert (shown.status, shown.err) == (0, "")
        assert shown.out == command("baseline", "show", file).out
        assert command("baseline", "lint", name).out == f"{name}: nothing to fix\n"
        assert all(check in shown.out for check in ("cleartext-telnet", "unexpected-service"))
    ended = command("baseline", "show", "ofice-device")
    assert ended.status == 2 and "office-device" in ended.err


def test_scope_lint(command: Command, tmp_path: Path) -> None:
    file = tmp_path / "scope.yaml"
    good = (
        'scope: "hardenprobe.scope/1"\nname: "Harbour office"\nauthorised_by: "Imke Sandvoort"\n'
        'networks: ["192.0.2.0/24"]\nexclude: ["192.0.2.7"]\n'
    )
    file.write_text(good)
    ended = command("scope", "lint", file)
    assert (ended.status, ended.err) == (0, "")
    for part in ("Harbour office", "Imke Sandvoort", "192.0.2.0/24: 256 addresses", "192.0.2.7", "ask"):
        assert part in ended.out
    file.write_text(good + 'exlude: ["192.0.2.8"]\n')
    ended = command("scope", "lint", file)
    assert (ended.status, ended.out) == (2, "")
    assert f"{file}:6: unknown key 'exlude'; did you mean 'exclude'?" in ended.err
