"""Checks and probes from elsewhere: all are loaded alike, and one that breaks costs nothing but its own result."""

from __future__ import annotations

import itertools
import json
import re
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.baseline import baseline
from hardenprobe.demo_lab.scan_lab import guilts
from hardenprobe.demo_lab.truth import expected_findings
from hardenprobe.devkit import scaffold
from hardenprobe.errors import UsageError
from hardenprobe.facts import KINDS
from hardenprobe.judging.completeness import INCOMPLETE, exit_status
from hardenprobe.judging.review import rejudge
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.library import scan_and_judge
from hardenprobe.model import Reason, Review, State, Word
from hardenprobe.plugins import registry, sources, time_limit
from hardenprobe.plugins.registry import Registry
from hardenprobe.testing import sample_review
from hardenprobe.testing.devices import results

Command = Callable[..., Any]
NAME = "ident-answers"
_number = itertools.count(1)

CHECK = '''"""A rule of the site.

Fails when
    x
Passes when
    x
Unknown when
    x
Reach
    look: nothing is sent.
Why it matters
    x
Sources
    x
"""
import re
from hardenprobe import Check, Outcome, Reach, Word, facts, fail
from hardenprobe.model import Said
from hardenprobe.remediation.general import TELNET_OFF

SAID = Said(text="x")

def judge(seen, expect):
    {judge}

CHECK = Check(id="site-rule", document=__doc__, reads=(facts.TcpPort,), judge=judge, remedy=TELNET_OFF,
              vectors={{"": "AV:N/AC:L/Au:N/C:N/I:P/A:N/PL:ND/EM:A"}}, controls=("CM-7",), reach=Reach.LOOK)
'''


def source(judge: str = "return [Outcome(word=Word.PASS, observed=SAID, expected=SAID)]") -> str:
    return CHECK.format(judge=judge)


@pytest.fixture(autouse=True)
def _own_kinds(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """What plug-ins register is forgotten after each test."""
    before = dict(KINDS)
    yield
    KINDS.clear()
    KINDS.update(before)


@pytest.fixture
def folder(tmp_path: Path) -> Callable[..., Path]:
    """Make a folder of checks; a file for each name."""

    def make(**files: str) -> Path:
        made = tmp_path / f"checks-{next(_number)}"
        made.mkdir()
        for name, text in files.items():
            (made / f"{name}.py").write_text(text)
        return made

    return make


@pytest.fixture
def plugin(tmp_path: Path) -> Path:
    """A plug-in as `checks new` writes it: the folder of its package."""
    return scaffold.write(NAME, tmp_path, frozenset(), "package") / "ident_answers"


def judged(checks: Registry, hostile: bool = False) -> Review:
    """The sample review under every check at hand."""
    again = rejudge(
        sample_review(devices=1, hostile=hostile),
        JudgingRules(baseline=baseline.load("office-device", checks), registry=checks, decisions=None),
    )
    assert {r.check for r in again.results} >= set(checks.checks) - checks.stand_ins - {"device-not-seen"}
    return again


# --- loading


def test_a_folder_is_loaded_like_our_own_checks(folder: Callable[..., Path]) -> None:
    path = folder(site_rule=source(), _helper="1 / 0", test_site_rule="1 / 0", conftest="1 / 0")
    checks = registry.load(plugins=False, folders=[path])

    assert checks.broken == ()
    assert checks.get("site-rule").title == "A rule of the site"
    assert re.fullmatch(
        rf"{re.escape(str(path))}/site_rule.py \(SHA-256 [0-9a-f]{{16}}\)", checks.origins["site-rule"]
    )
    assert checks.plugged == (checks.origins["site-rule"],)
    assert not list(path.rglob("*.pyc")), "nothing is left in somebody's folder"
    assert registry.load(plugins=False, folders=[path]).get("site-rule") is checks.get("site-rule")
    assert registry.load(plugins=False, folders=[path, path]).broken == ()


def test_files_of_a_folder_import_each_other(plugin: Path) -> None:
    checks = registry.load(plugins=False, folders=[plugin])

    assert checks.broken == ()
    (probe,) = checks.probes
    assert probe.produces == (checks.get(NAME).reads[1],)
    assert checks.probes_for([NAME]) == (probe,)
    assert checks.probes_for(["cleartext-ftp"]) == ()


@pytest.mark.parametrize("what", ["nothing", "a file", "no Python"])
def test_a_folder_that_holds_no_check_is_refused(tmp_path: Path, what: str) -> None:
    path = tmp_path / "checks"
    if what == "a file":
        path.write_text("")
    elif what == "no Python":
        path.mkdir()
        (path / "readme.txt").write_text("")
    with pytest.raises(UsageError, match=str(path)):
        registry.load(plugins=False, folders=[path])


BREAKS = [
    pytest.param("import no_such_module_anywhere", "ModuleNotFoundError", id="fails to import"),
    pytest.param("def judge(:", "SyntaxError", id="is no Python"),
    pytest.param("raise SystemExit(0)", "SystemExit", id="ends the process"),
    pytest.param("raise RuntimeError('a\\x1b[31m\\nb' * 500)", "RuntimeError", id="raises a flood"),
    pytest.param("while True: pass", "processor time", id="loops when it is loaded", marks=pytest.mark.slow),
    pytest.param("while True:\n  try:\n    1 / 0\n  except Exception: pass", "processor time", id="loops and drops errors", marks=pytest.mark.slow),
    pytest.param(source().replace("site-rule", "cleartext-telnet"), "already registered, from hardenprobe", id="a used id"),
    pytest.param(source().replace("site-rule", "Site"), "lower-case words", id="a wrong id"),
    pytest.param(source().replace("Sources\n", "Source\n"), "docstring headings are", id="headings"),
    pytest.param(source().replace("AV:N/", "AV:X/"), "is no metric", id="a wrong vector"),
    pytest.param(source().replace("(facts.TcpPort,)", "(int,)"), "not registered with @facts", id="reads no facts"),
    pytest.param(source().replace("(facts.TcpPort,)", "facts.TcpPort"), "expected a tuple of facts", id="reads no tuple"),
    pytest.param(source().replace("judge=judge", "judge=5"), "its judge is 5", id="judge is no function"),
    pytest.param(
        source().replace("judge=judge", "judge=judge, identifies=(facts.TcpPort,)"),
        "expected some of its reads and not all",
        id="everything only identifies",
    ),
    pytest.param(source().replace("remedy=TELNET_OFF", "remedy='off'"), "its remedy is 'off'", id="remedy is a text"),
    pytest.param(source().replace("reach=Reach.LOOK", "reach='far'"), "its reach is 'far'", id="reach is a text"),
    pytest.param("CHECK = 5", "expected a Check, got int", id="CHECK is none"),
    pytest.param("PROBE = 5", "expected a Probe, got int", id="PROBE is none"),
    pytest.param("X = 5", "no CHECK, no PROBE", id="brings nothing"),
    pytest.param(
        source().replace(
            "import re\n",
            "import socket\ntry:\n  with socket.socket() as sock: sock.connect(('127.0.0.1', 9))\nexcept Exception: pass\n",
        ),
        "reached for the network when it was loaded",
        id="connects when it is loaded, and hides it",
    ),
    pytest.param(
        "from hardenprobe import Probe, facts\nasync def ask(asked):\n    yield 1\n"
        "PROBE = Probe(name='forger', produces=(facts.TelnetGreeting,), ask=ask)",
        "which is hardenprobe's own",
        id="a probe that would bring our facts",
    ),
    pytest.param(
        "from hardenprobe.facts import facts\nfrom dataclasses import dataclass\n"
        "@facts('telnet-greeting')\n@dataclass(frozen=True)\nclass Mine:\n    x: int = 0\n",
        "belongs to hardenprobe.facts.ports.TelnetGreeting",
        id="facts under our own kind",
    ),
    pytest.param(
        "from hardenprobe import Probe, facts\nfrom dataclasses import dataclass\n"
        "@facts.facts('ink-level')\n@dataclass(frozen=True)\nclass Ink:\n    x: int = 0\n"
        "async def ask(asked):\n    yield 1\n"
        "PROBE = Probe(name='ink', produces=(Ink,), ask=ask, tcp_ports={9100: 'ink'})",
        "a device prints what it hears there",
        id="a probe that would speak to a raw print port",
    ),
    pytest.param(
        "from hardenprobe import Probe, facts\nfrom dataclasses import dataclass\n"
        "@facts.facts('ink-level')\n@dataclass(frozen=True)\nclass Ink:\n    x: int = 0\n"
        "def ask(asked):\n    return []\n"
        "PROBE = Probe(name='ink', produces=(Ink,), ask=ask)",
        "no `async def` with a `yield`",
        id="a probe that does not ask",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("text", "says"), BREAKS)
def test_what_cannot_be_used_is_named_and_judges_error_beside_all_others(
    folder: Callable[..., Path], monkeypatch: pytest.MonkeyPatch, text: str, says: str
) -> None:
    monkeypatch.setattr(time_limit, "SECONDS", 0.5)
    path = folder(bad_rule=text, good_rule=source().replace("site-rule", "good-rule"))
    checks = registry.load(plugins=False, folders=[path])
    (broken,) = checks.broken
    assert says in broken.reason
    assert str(path / "bad_rule.py") in broken.origin
    assert str(broken).isprintable() and len(str(broken)) < 600

    again = judged(checks)
    own = [r for r in again.results if r.check == broken.id]
    assert {(r.result, r.reason, r.origin) for r in own} == {(Word.ERROR, Reason.CRASHED, broken.origin)}
    assert all(says in r.observed.text for r in own)
    assert {r.result for r in again.results if r.check == "good-rule"} == {Word.PASS}
    assert {r.origin for r in again.results if r.check == "cleartext-telnet"} == {"hardenprobe"}
    assert exit_status(again) == INCOMPLETE


def test_a_baseline_that_tunes_a_check_that_cannot_be_used_is_still_read(
    folder: Callable[..., Path], tmp_path: Path
) -> None:
    path = folder(site_rule="1 / 0")
    mine = tmp_path / "mine.yaml"
    mine.write_text('baseline: "mine/1"\nextends: "office-device"\nexpect:\n  site-rule: {most: 5}\n')
    checks = registry.load(plugins=False, folders=[path])

    assert "site-rule" in baseline.load(str(mine), checks).settings


# --- judging

NONSENSE = [
    pytest.param("raise KeyError('x')", "KeyError", id="raises"),
    pytest.param("raise SystemExit(0)", "SystemExit", id="ends the process"),
    pytest.param("return None", "returned None", id="returns None"),
    pytest.param("return 7", "returned 7", id="returns a number"),
    pytest.param("return 'pass'", "said 'p', expected an Outcome", id="returns a text"),
    pytest.param("return Outcome(word=Word.PASS, observed=SAID, expected=SAID)", "one after the other", id="returns one alone"),
    pytest.param("yield Word.PASS", "expected an Outcome", id="yields a word"),
    pytest.param("yield Outcome(word='pass', observed=SAID, expected=SAID)", "the word of an outcome", id="a word that is a text"),
    pytest.param("yield Outcome(word=Word.PASS, observed='x', expected=SAID)", "the observed of an outcome", id="observed is a text"),
    pytest.param("yield Outcome(word=Word.PASS, observed=Said(text=5), expected=SAID)", "is no text", id="text is a number"),
    pytest.param("yield Outcome(word=Word.PASS, observed=SAID, expected=SAID, proof='ab')", "the proof of an outcome", id="proof is a text"),
    pytest.param("yield Outcome(word=Word.PASS, observed=SAID, expected=SAID, proof=(5,))", "ids of observations", id="proof is a number"),
    pytest.param("yield Outcome(word=Word.FAIL, observed=SAID, expected=SAID, vector='no')", "names the vector 'no'", id="no such vector"),
    pytest.param("yield from iter(lambda: Outcome(word=Word.PASS, observed=SAID, expected=SAID), None)", "more than 10,000", id="says things without end"),
    pytest.param("while True: pass", "processor time", id="loops", marks=pytest.mark.slow),
    pytest.param("while True:\n        try: 1 / 0\n        except Exception: pass", "processor time", id="loops and drops errors", marks=pytest.mark.slow),
    pytest.param("re.match(r'(a+)+$', 'a' * 60 + '!')", "processor time", id="loops inside of a pattern", marks=pytest.mark.slow),
    pytest.param("import socket\n    with socket.socket() as sock: sock.connect(('127.0.0.1', 9))", "past hardenprobe's door", id="connects"),
    pytest.param("import os; os.system('true')", "past hardenprobe's door", id="starts a process"),
]  # fmt: skip


@pytest.mark.parametrize("hostile", [False, True], ids=["plain", "hostile"])
@pytest.mark.parametrize(("judge", "says"), NONSENSE)
def test_a_judge_that_breaks_costs_its_own_result(
    folder: Callable[..., Path], monkeypatch: pytest.MonkeyPatch, judge: str, says: str, hostile: bool
) -> None:
    monkeypatch.setattr(time_limit, "SECONDS", 0.5)
    checks = registry.load(plugins=False, folders=[folder(site_rule=source(judge))])
    again = judged(checks, hostile)
    own = [r for r in again.results if r.check == "site-rule"]

    assert {r.result for r in own} == {Word.ERROR}
    assert all(says in r.observed.text for r in own)
    assert all(str(checks.origins["site-rule"]) == r.origin for r in own)
    assert all(r.observed.text.isprintable() for r in own)


# --- probes, end to end


@pytest.mark.slow
def test_a_plug_in_s_probe_works_end_to_end_through_the_command_line(
    plugin: Path, lab_device: Callable[..., Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from hardenprobe import cli

    device = lab_device({"speaks": NAME, "answers": "user"}, services_from=[plugin])
    document = tmp_path / "review.json"
    status = cli.run(
        ["scan", device.address, "--inventory", str(device.lab.inventory), "--port-offset", str(device.lab.port_offset),
         "--checks-from", str(plugin), "--only", NAME, "--json", str(document), "--store", str(tmp_path / "store.db")]
    )  # fmt: skip
    assert status == 1, capsys.readouterr().err

    found = json.loads(document.read_text())
    (result,) = [r for r in found["results"] if r["result"] == "fail"]
    assert result["check"] == NAME
    assert str(plugin / "check.py") in result["origin"]
    (proof,) = [o for o in found["observations"] if o["id"] in result["observations"]]
    assert proof["kind"] == f"{NAME}-answer"
    assert [bytes.fromhex(e["hex"]) for e in proof["transcript"]] == [
        b"1, 1\r\n",
        b"1, 1 : USERID : UNIX : spooler\r\n",
    ]

    # The stored review is judged again with the folder; without it the check is not there any more.
    capsys.readouterr()
    assert (
        cli.run(["judge", "latest", "--store", str(tmp_path / "store.db"), "--checks-from", str(plugin)]) == 1
    )
    assert cli.run(["judge", "latest", "--store", str(tmp_path / "store.db")]) == 0
    assert cli.run(["scan", device.address, "--checks-from", str(plugin), "--dry-run"]) == 0
    plan = capsys.readouterr().out
    assert "113" in plan and "third-party" in plan


@pytest.mark.slow
def test_the_declared_truth_of_a_service_is_what_a_scan_finds(
    plugin: Path, lab_device: Callable[..., Any]
) -> None:
    device = lab_device(
        {"speaks": NAME}, {"speaks": NAME, "port": 1130, "answers": "nonsense"}, services_from=[plugin]
    )
    found = device.scan(NAME, checks_from=[plugin])
    from_folder(plugin)

    assert guilts(found, NAME) == {
        guilt for guilt in expected_findings(device.lab.inventory, "127.0.0.1") if guilt.check == NAME
    }


def from_folder(plugin: Path) -> None:
    for offer in sources.in_folder(plugin):
        offer.load()


PROBES = [
    pytest.param("import socket\n    with socket.socket() as sock: sock.connect((asked.line.address, 9))", "to reach", id="opens a socket of its own"),
    pytest.param(
        "import socket\n    try:\n        with socket.socket() as sock: sock.connect((asked.line.address, 9))\n    except Exception: raise ValueError('hidden')",
        "hidden",
        id="opens a socket and hides it",
    ),
    pytest.param("import subprocess; subprocess.run(['true'])", "to start a process", id="starts a process"),
    pytest.param("import socket; socket.gethostbyname('localhost')", "a look-up of", id="looks a name up"),
    pytest.param("raise KeyError('x')", "KeyError", id="raises"),
    pytest.param("raise SystemExit(0)", "SystemExit", id="ends the process"),
    pytest.param("while True: pass", "processor time", id="loops", marks=pytest.mark.slow),
    pytest.param("yield 5", "which it does not name in `produces`", id="yields a number"),
    pytest.param("yield asked.seen[0]", "which it does not name in `produces`", id="yields facts of others"),
    pytest.param(
        "async with await asked.line.connect(80) as stream:\n        await stream.send(b'x', 'ink')",
        "may-speak list",
        id="speaks where it may not",
    ),
]  # fmt: skip
PROBE = """from dataclasses import dataclass
from hardenprobe import Probe, facts

@facts.facts("ink-level")
@dataclass(frozen=True, kw_only=True)
class Ink:
    level: int = 0

async def ask(asked):
    {ask}
    yield

PROBE = Probe(name="ink", produces=(Ink,), ask=ask)
"""


@pytest.mark.slow
@pytest.mark.parametrize(("ask", "says"), PROBES)
def test_a_probe_that_breaks_is_named_and_the_scan_goes_on(
    folder: Callable[..., Path],
    monkeypatch: pytest.MonkeyPatch,
    quiet_device: str,
    quick_baseline: Path,
    ask: str,
    says: str,
) -> None:
    monkeypatch.setattr(time_limit, "SECONDS", 0.5)
    check = (
        source("return []")
        .replace("(facts.TcpPort,)", "(facts.TcpPort, Ink)")
        .replace("Reach.LOOK", "Reach.ASK")
    )
    path = folder(
        ink=PROBE.format(ask=ask), site_rule=check.replace("SAID =", "from .ink import Ink\nSAID =")
    )
    found = scanned(quiet_device, quick_baseline, path)
    (result,) = results(found, "site-rule")
    telnet = results(found, "cleartext-telnet")

    assert found.devices and telnet and telnet[0].result is not Word.ERROR
    assert result.result is Word.ERROR
    assert says in result.observed.text
    assert not found.head.interrupted
    if "socket" in ask or "subprocess" in ask:
        assert any(f"{path}/ink.py tried" in notice for notice in found.notices)


@pytest.fixture
def quiet_device() -> Iterator[str]:
    """An address of this machine on which one port accepts."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield f"127.0.0.1:{server.getsockname()[1]}"


@pytest.fixture
def quick_baseline(tmp_path: Path) -> Path:
    """The shipped baseline with short waits: on loopback nothing takes long."""
    file = tmp_path / "quick.yaml"
    waits = "connect: 0.3, greeting: 0.1, reply: 0.3, pause: 0.0"
    file.write_text(f'baseline: "quick/1"\nextends: "office-device"\ngentleness: {{{waits}}}\n')
    return file


def scanned(place: str, quick: Path, *folders: Path) -> Review:
    """Scan one port, with everything at hand."""
    import asyncio

    from hardenprobe.scanning.request import ScanRequest, pinned

    address, _, port = place.partition(":")
    request = ScanRequest(
        targets=pinned([address]),
        ports="80",
        baseline=str(quick),
        port_offset=int(port) - 80,
        only=("site-rule", "cleartext-telnet"),
        plugins=False,
        checks_from=tuple(map(str, folders)),
    )
    found = asyncio.run(scan_and_judge(*request.prepare()))
    assert any(
        getattr(o.facts, "state", None) is State.ACCEPTING
        for seen in found.observations.values()
        for o in seen
    )
    return found
