"""A scan that goes on does so under the scope that it began with, or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from hardenprobe.errors import FileInvalid, UsageError
from hardenprobe.model import Reach
from hardenprobe.scanning.request import ScanRequest, begin, pinned
from hardenprobe.store import opening
from hardenprobe.store.persistence import Keeper
from hardenprobe.store.resume import take_up

SCOPE = """\
scope: "hardenprobe.scope/1"
name: "lab"
authorised_by: "Imke Sandvoort"
networks: ["127.77.0.0/24"]
exclude: ["127.77.0.200"]
reach: "strain"
grants: ["snmp-amplification"]
window: {first: "00:00", last: "23:59"}
gentleness: {connections: 40, devices_at_once: 3}
contacts: {monitoring: "desk", abort: "duty officer"}
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "scope.yaml"
    path.write_text(SCOPE)
    return path


def request(file: Path, reach: str = "strain", **more: bool) -> ScanRequest:
    return ScanRequest(
        targets=pinned(["127.77.0.1-127.77.0.9"]), scope=str(file), reach=reach, plugins=False, system_anchors=False,
        **more,
    )  # fmt: skip


def test_the_scope_is_the_same_when_a_scan_goes_on(file: Path, tmp_path: Path) -> None:
    with opening.opened(str(tmp_path / "store.db")) as kept:
        first = request(file).prepare()[0]
        with Keeper(kept, begin(request(file), first)):
            pass  # killed before anything was seen
        _, again, _ = take_up(kept, "latest")
    assert again.plan.authorisation == first.plan.authorisation
    assert again.plan.hash == first.plan.hash
    scope = again.plan.scope
    assert (scope.authorised_by, scope.abort, scope.reach) == (
        "Imke Sandvoort",
        ("duty officer",),
        Reach.STRAIN,
    )
    assert scope.grants == {"snmp-amplification"}
    assert (again.plan.timing.connections, again.plan.timing.devices_at_once) == (40, 3)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"127.77.0.0/24"', '"127.77.0.0/16"'),
        ('exclude: ["127.77.0.200"]\n', ""),
        ("Imke Sandvoort", "Jorunn Falk"),
        ('"snmp-amplification"', '"snmp-amplification", "tls-heartbleed"'),
        ("connections: 40", "connections: 41"),
        ('"23:59"', '"23:58"'),
        ("duty officer", "nobody"),
        ("scope:", "# another word\nscope:"),
    ],
)
def test_another_scope_is_another_scan(file: Path, tmp_path: Path, old: str, new: str) -> None:
    with opening.opened(str(tmp_path / "store.db")) as kept:
        with Keeper(kept, begin(request(file), request(file).prepare()[0])):
            pass
        assert old in SCOPE
        file.write_text(SCOPE.replace(old, new))
        with pytest.raises(UsageError, match="cannot go on: its scope"):
            take_up(kept, "latest")


def test_a_scope_that_is_gone_is_said(file: Path, tmp_path: Path) -> None:
    with opening.opened(str(tmp_path / "store.db")) as kept:
        with Keeper(kept, begin(request(file), request(file).prepare()[0])):
            pass
        file.unlink()
        with pytest.raises(FileInvalid, match=r"scope\.yaml"):
            take_up(kept, "latest")


def test_a_second_opinion_needs_its_grant(file: Path) -> None:
    with pytest.raises(UsageError, match=r"write `grants: \[tls-second-opinion\]` in the scope file"):
        request(file, tls_second_opinion=True).prepare()
    file.write_text(SCOPE.replace('"snmp-amplification"', '"tls-second-opinion"'))
    assert request(file, tls_second_opinion=True).prepare()[0].plan.tls_second_opinion
