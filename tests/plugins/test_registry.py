"""Finding checks: built-in ones by package scan, third-party ones by entry point of a distribution."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import hardenprobe.checks
from hardenprobe.errors import UnknownName
from hardenprobe.plugins import registry, sources

MODULE = '''
"""{title}

Fails when
    x
Passes when
    x
Unknown when
    x
Reach
    none
Why it matters
    x
Sources
    x
"""
from hardenprobe.checking.check import Check
from hardenprobe.facts import TcpPort
from hardenprobe.remediation.general import CLOSE_PORT

def judge(seen, expect):
    return []

CHECK = Check(id="{id}", document=__doc__, reads=(TcpPort,), judge=judge, vectors={{"": "{vector}"}},
              remedy=CLOSE_PORT, controls=("CM-7",))
'''
VECTOR = "AV:N/AC:L/Au:N/C:N/I:P/A:N/PL:ND/EM:A"
Install = Callable[..., None]


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Install]:
    """Install a distribution with one entry point, as pip would lay it down."""
    made: list[str] = []

    def installed(name: str, source: str, value: str = "CHECK") -> None:
        module = f"plugged_{len(made)}_{name.replace('-', '_')}"
        made.append(module)
        (tmp_path / f"{module}.py").write_text(source)
        info = tmp_path / f"{module}-2.1.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {module}\nVersion: 2.1\n")
        (info / "entry_points.txt").write_text(f"[{sources.CHECKS}]\n{name} = {module}:{value}\n")

    monkeypatch.syspath_prepend(str(tmp_path))
    yield installed
    for module in made:
        sys.modules.pop(module, None)


def source(id: str = "site-rule", vector: str = VECTOR) -> str:
    return MODULE.format(title="A rule of the site.", id=id, vector=vector)


def test_every_module_of_the_package_is_found() -> None:
    found = registry.load(plugins=False)
    files = {p.stem.replace("_", "-") for p in Path(hardenprobe.checks.__path__[0]).glob("*.py")} - {
        "--init--"
    }
    assert set(found.checks) == files
    assert set(found.origins.values()) == {registry.BUILT_IN}
    assert found.broken == ()


def test_a_third_party_check_is_found_with_its_origin(install: Install) -> None:
    install("site-rule", source())
    found = registry.load()
    assert found.get("site-rule").title == "A rule of the site"
    assert found.origins["site-rule"] == "plugged_0_site_rule 2.1"
    assert "site-rule" not in registry.load(plugins=False).checks


@pytest.mark.parametrize(
    ("name", "text", "value", "says"),
    [
        pytest.param(
            "other-name", source(), "CHECK", "named 'other-name' and its id is 'site-rule'", id="name"
        ),
        pytest.param("site-rule", "CHECK = 5", "CHECK", "expected a Check, got int", id="no check"),
        pytest.param(
            "site-rule", "raise RuntimeError('no')", "CHECK", "RuntimeError: no", id="breaks at import"
        ),
        pytest.param("site-rule", "x = 1", "CHECK", "AttributeError", id="nothing of that name"),
        pytest.param(
            "site-rule", source(vector="AV:N"), "CHECK", "expected the metrics", id="no CCSS vector"
        ),
        pytest.param("site-rule", source(id="site"), "CHECK", "lower-case words joined by dashes", id="id"),
        pytest.param(
            "site-rule",
            source().replace("Sources\n", "Source\n"),
            "CHECK",
            "docstring headings are",
            id="headings",
        ),
        pytest.param(
            "cleartext-telnet",
            source(id="cleartext-telnet"),
            "CHECK",
            "a check with this id is already registered",
            id="takes a built-in's place",
        ),
    ],
)
def test_a_broken_one_is_named_and_stops_no_other(
    install: Install, name: str, text: str, value: str, says: str
) -> None:
    install(name, text, value)
    install("site-rule-two", source(id="site-rule-two"))
    found = registry.load()
    (broken,) = found.broken
    assert broken.origin == f"plugged_0_{name.replace('-', '_')} 2.1"
    assert says in str(broken)
    assert str(broken).startswith(f"check {name} from ")
    assert "site-rule-two" in found.checks
    assert found.origins.get("cleartext-telnet") == registry.BUILT_IN


def test_select() -> None:
    found = registry.load(plugins=False)
    everything = frozenset(found.checks)
    assert found.select() == everything
    assert found.select(only=["cleartext-ftp"]) == {"cleartext-ftp"}
    assert found.select(leave_out=["cleartext-ftp"]) == everything - {"cleartext-ftp"}
    assert found.select(only=["cleartext-ftp"], leave_out=["cleartext-ftp"]) == frozenset()


@pytest.mark.parametrize("how", ["only", "leave_out"])
def test_an_unknown_name_proposes_the_nearest(how: str) -> None:
    with pytest.raises(UnknownName, match="did you mean cleartext-ftp?"):
        registry.load(plugins=False).select(**{how: ["cleartext-fpt"]})
