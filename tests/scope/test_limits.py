"""Of what a baseline and a scope say, the gentler holds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, fields
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.baseline import baseline
from hardenprobe.errors import FileInvalid
from hardenprobe.plugins import registry
from hardenprobe.scope.limits import Gentleness, Timing
from hardenprobe.scope.scope_file import load

COUNTS = ("connections", "datagrams", "bytes_received", "devices_at_once")
SPANS = ("seconds", "pause", "connections_per_second")
SCOPE = 'scope: "hardenprobe.scope/1"\nname: "n"\nauthorised_by: "a"\nnetworks: ["192.0.2.0/24"]\n'
BASELINE = 'baseline: "ours"\nextends: "office-device"\n'


def numbers(*, may_be_none: bool) -> st.SearchStrategy[dict[str, float | None]]:
    missing = [st.none()] if may_be_none else []
    return st.fixed_dictionaries(
        {
            **{key: st.one_of(st.integers(1, 10**6), *missing) for key in COUNTS},
            **{key: st.one_of(st.floats(0.001, 10**4), *missing) for key in SPANS},
        }
    )


@given(numbers(may_be_none=False), numbers(may_be_none=True))
def test_no_value_is_rougher_than_either_says(
    mine: dict[str, float | None], theirs: dict[str, float | None]
) -> None:
    timing = Timing(**mine)  # type: ignore[arg-type]
    held = asdict(Gentleness(**theirs).tighten(timing))  # type: ignore[arg-type]
    for key, value in asdict(timing).items():
        other = theirs.get(key)
        said = [value] if other is None else [value, other]
        assert held[key] == (max(said) if key == "pause" else min(said)), key


def test_every_ceiling_of_a_scope_is_one_that_link_knows() -> None:
    assert {f.name for f in fields(Gentleness)} <= {f.name for f in fields(Timing)}
    assert Timing().connections_at_once == 1


def test_a_scope_file_that_says_nothing_slows_the_whole_scan_down(tmp_path: Path) -> None:
    file = tmp_path / "scope.yaml"
    file.write_text(SCOPE)
    held = load(file).gentleness.tighten(Timing())
    assert held.connections_per_second == 100 < Timing().connections_per_second
    assert held.devices_at_once == Timing().devices_at_once


def scope(path: Path) -> object:
    return load(path)


def ours(path: Path) -> object:
    return baseline.read(path, registry.load(plugins=False))


@pytest.mark.parametrize(("read", "text"), [(scope, SCOPE), (ours, BASELINE)])
@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("connections", "0"), ("connections", "-1"), ("seconds", ".nan"), ("seconds", ".inf"), ("pause", "-0.1"),
        ("devices_at_once", "0"), ("connections_per_second", "0"), ("connections_at_once", "2"),
        ("connections", "1.5"), ("bytes_received", "much"), ("conections", "3"),
    ],
)  # fmt: skip
def test_what_is_no_ceiling_is_refused_in_both_files(
    tmp_path: Path, read: Callable[[Path], object], text: str, key: str, value: str
) -> None:
    file = tmp_path / "file.yaml"
    file.write_text(
        f"{text}gentleness:\n  pause: 1\n  {key}: {value}\n".replace("  pause: 1\n  pause", "  pause")
    )
    with pytest.raises(FileInvalid) as caught:
        read(file)
    line = next(n for n, said in enumerate(file.read_text().splitlines(), 1) if key in said)
    assert str(caught.value).startswith(f"{file}:{line}: ")
    assert key in str(caught.value)


@pytest.mark.parametrize(("read", "text"), [(scope, SCOPE), (ours, BASELINE)])
def test_no_pause_and_one_connection_are_ceilings(
    tmp_path: Path, read: Callable[[Path], object], text: str
) -> None:
    file = tmp_path / "file.yaml"
    file.write_text(f"{text}gentleness: {{pause: 0, connections_at_once: 1}}\n")
    assert read(file)
