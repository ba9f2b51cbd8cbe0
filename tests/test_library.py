"""`import hardenprobe`: what is public, what it costs, and what it does."""

from __future__ import annotations

import asyncio
import doctest
import importlib
import json
import pkgutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import hardenprobe
from hardenprobe.testing import sample_review

HEAVY = {"pydantic", "sqlalchemy", "cryptography", "asyncio", "ssl", "yaml", "click"}
ERRORS = [
    name
    for name in hardenprobe._HOME
    if isinstance(getattr(hardenprobe, name), type) and issubclass(getattr(hardenprobe, name), BaseException)
]


def test_every_public_name_is_there_and_said_once() -> None:
    assert sorted(set(hardenprobe.__all__)) == sorted(hardenprobe.__all__)
    assert all(getattr(hardenprobe, name) is not None for name in hardenprobe._HOME)
    assert set(hardenprobe.__all__) == {*hardenprobe._HOME, *hardenprobe._RENAMED, "__version__", "facts"}
    assert set(hardenprobe.__all__) == set(dir(hardenprobe))
    with pytest.raises(AttributeError, match="no attribute 'scann'"):
        _ = hardenprobe.scann


@pytest.mark.parametrize(("old", "new"), hardenprobe._RENAMED.items())
def test_an_old_name_works_and_warns(old: str, new: str) -> None:
    with pytest.warns(DeprecationWarning, match=f"called {new} now"):
        assert getattr(hardenprobe, old) is getattr(hardenprobe, new)


def test_severities_are_ordered() -> None:
    low, medium, high = hardenprobe.Severity
    assert max([medium, high, low]) is high and sorted([high, low, medium]) == [low, medium, high]
    assert high >= medium and not low > medium and low <= medium and medium < "high"
    with pytest.raises(ValueError, match="grave"):
        _ = high < "grave"


def test_a_review_gives_its_results_by_device_and_its_findings_in_groups() -> None:
    found = sample_review()
    for device in found.devices:
        assert (
            found.of(device)
            == found.of(device.id)
            == tuple(r for r in found.results if r.device == device.id)
        )
    groups = found.findings_by(lambda result: result.severity)
    assert sorted(r.finding for group in groups.values() for r in group) == sorted(
        r.finding for r in found.findings
    )
    assert all(r.severity == severity for severity, group in groups.items() for r in group)


def test_judging_by_some_checks_alone() -> None:
    again = hardenprobe.judge(sample_review(), only=["cleartext-telnet"], plugins=False)
    assert {r.check for r in again.results if r.result is not hardenprobe.Word.NOTSELECTED} == {
        "cleartext-telnet"
    }
    with pytest.raises(hardenprobe.UnknownName, match="did you mean cleartext-telnet"):
        hardenprobe.judge(sample_review(), only=["cleartext-telent"], plugins=False)


def test_no_public_name_is_a_module_of_another_meaning() -> None:
    """Importing the module would put it in the name's place."""
    modules = {info.name for info in pkgutil.iter_modules(hardenprobe.__path__)}

    assert not modules & set(hardenprobe._HOME)


@pytest.mark.parametrize("name", [*hardenprobe._HOME, "facts"])
def test_every_public_name_is_documented(name: str) -> None:
    if name != "__version__":
        assert (getattr(hardenprobe, name).__doc__ or "").strip()


def test_importing_it_imports_nothing_else() -> None:
    code = "import sys; before = set(sys.modules); import hardenprobe; print(*(set(sys.modules) - before))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=30
    )
    loaded = {name.split(".")[0] for name in done.stdout.split()}

    assert not loaded & HEAVY
    assert [name for name in done.stdout.split() if name.startswith("hardenprobe")] == ["hardenprobe"]


@pytest.mark.parametrize("name", ERRORS)
def test_every_error_has_the_one_base_class(name: str) -> None:
    assert issubclass(getattr(hardenprobe, name), hardenprobe.HardenprobeError)


@pytest.mark.parametrize(
    "call",
    [
        pytest.param(lambda: hardenprobe.scan("192.0.2.7"), id="outside the loopback without a scope"),
        pytest.param(lambda: hardenprobe.scan("127.0.0.1", reach="far"), id="no reach"),
        pytest.param(lambda: hardenprobe.scan("127.0.0.1", only=["no-such-check"]), id="no check"),
        pytest.param(lambda: hardenprobe.scan("127.0.0.1", scope="missing.yaml"), id="no scope file"),
        pytest.param(lambda: hardenprobe.scan("127.0.0.1", checks_from=["missing"]), id="no folder"),
        pytest.param(lambda: hardenprobe.scan([]), id="no target"),
        pytest.param(lambda: hardenprobe.judge(sample_review(), baseline="no-such"), id="no baseline"),
        pytest.param(lambda: hardenprobe.load_review("20990101"), id="no review"),
        pytest.param(lambda: hardenprobe.from_document({"format": "other/1"}), id="no document"),
    ],
)
def test_mistakes_are_one_line_for_a_person(call: Callable[[], Any]) -> None:
    with pytest.raises(hardenprobe.HardenprobeError) as caught:
        call()
    assert "\n" not in str(caught.value)


def test_a_store_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(hardenprobe.HardenprobeError, match="does not exist"):
        hardenprobe.load_review(store=str(tmp_path / "sotre.db"))
    assert not list(tmp_path.iterdir())


def test_inside_of_a_loop_it_says_what_to_write() -> None:
    async def inside() -> None:
        hardenprobe.scan("127.0.0.1")

    with pytest.raises(hardenprobe.UsageError, match=r"await hardenprobe\.scan_async"):
        asyncio.run(inside())


PACKAGE = Path(hardenprobe.__file__).parent
WITH_EXAMPLES = sorted(
    ".".join(("hardenprobe", *file.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(".__init__")
    for file in PACKAGE.rglob("*.py")
    if "\n    >>> " in file.read_text(encoding="utf-8")
)


@pytest.mark.parametrize("name", WITH_EXAMPLES)
@pytest.mark.slow
def test_examples_in_docstrings(name: str) -> None:
    failed, tried = doctest.testmod(importlib.import_module(name))

    assert tried and not failed


@pytest.mark.slow
def test_a_scan_is_kept_judged_again_and_written(lab_device: Callable[..., Any], tmp_path: Path) -> None:
    device = lab_device({"speaks": "telnet"})
    url = str(tmp_path / "store.db")
    steps: list[hardenprobe.Progress] = []
    found = hardenprobe.scan(
        device.address,
        inventory=device.lab.inventory,
        port_offset=device.lab.port_offset,
        only=["cleartext-telnet"],
        plugins=False,
        store=url,
        on_progress=steps.append,
    )
    (finding,) = found.findings

    assert (finding.result, finding.severity) == (hardenprobe.Word.FAIL, hardenprobe.Severity.HIGH)
    assert steps[-1].answered == 1 and steps[-1].observations > 0
    assert hardenprobe.load_review(store=url) == found
    again = hardenprobe.judge(found, plugins=False)
    assert [r.finding for r in again.findings] == [finding.finding]
    document = json.loads(json.dumps(hardenprobe.to_document(again)))
    assert hardenprobe.from_document(document) == again
