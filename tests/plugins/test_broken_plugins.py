"""Thirty broken plug-ins, each with a fault of its own: each is named and costs its own results, and nothing of anybody else.

Six devices of the lab are scanned twice, without the plug-ins and with all of them at once.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest
import yaml

from hardenprobe.demo_lab.process import running_lab
from hardenprobe.devices.inventory import FORMAT
from hardenprobe.facts import KINDS
from hardenprobe.library import scan_and_judge
from hardenprobe.model import Result, Review, Word
from hardenprobe.plugins import time_limit
from hardenprobe.scanning import engine
from hardenprobe.scanning.request import ScanRequest, pinned

pytestmark = pytest.mark.slow

FILE = '''"""What {name} would find.

Fails when
    x
Passes when
    x
Unknown when
    x
Reach
    ask: x
Why it matters
    x
Sources
    x
"""
import asyncio, time
from dataclasses import dataclass
from hardenprobe import CeilingReached, Check, Outcome, Probe, Reach, ScopeRefused, Word, facts, fail, passed
from hardenprobe.model import Said
from hardenprobe.remediation.general import TELNET_OFF

SAID = Said(text="x")

@facts.facts("{name}-seen")
@dataclass(frozen=True, kw_only=True)
class Seen:
    level: int = 0

async def ask(asked):
    {ask}
    yield asked.line.observation(Seen(), None)

def judge(seen, expect):
    {judge}

PROBE = Probe(name="{name}", produces=(Seen,), ask=ask, tcp_ports={{80: "finger"}})
CHECK = Check(id="{name}", document=__doc__, reads=(Seen,), judge=judge, remedy=TELNET_OFF, controls=("CM-7",),
              vectors={{"": "AV:N/AC:L/Au:N/C:N/I:P/A:N/PL:ND/EM:A"}})
{after}
'''
GOOD = "return [passed(one, 'x', 'y') for one in seen.of(Seen)]"


class Broken(NamedTuple):
    """A plug-in, and what is said of it on every device."""

    says: str
    ask: str = "pass"
    judge: str = GOOD
    after: str = ""
    word: Word = Word.ERROR


UNKNOWN = Word.UNKNOWN
PLUGINS = {
    # as they are loaded
    "load-raises": Broken("RuntimeError: no", after="raise RuntimeError('no')"),
    "load-syntax": Broken("SyntaxError", after="def judge(:"),
    "load-imports": Broken("ModuleNotFoundError", after="import no_such_module_anywhere"),
    "load-exits": Broken("SystemExit", after="raise SystemExit(0)"),
    "load-sleeps": Broken("took 0.5 seconds", after="time.sleep(600)"),
    "load-takes-an-id": Broken("already registered", after="object.__setattr__(CHECK, 'id', 'cleartext-telnet')"),
    "load-wants-raw-print": Broken(
        "a device prints what it hears there", after="PROBE.tcp_ports[9100] = 'finger'"
    ),
    "load-reach": Broken(
        "give the check reach ask", after="object.__setattr__(CHECK, 'reach', Reach.LOOK)", word=Word.NOTCHECKED
    ),
    # as they ask
    "ask-wrong-word": Broken(
        "not on the may-speak list for fingr; a probe of your own names it: tcp_ports={80: 'fingr'}",
        "async with await asked.line.connect(80) as s: await s.send(b'x', 'fingr')",
    ),
    "ask-raw-print": Broken(
        "not on the may-speak list for finger",
        "async with await asked.line.connect(9100) as s: await s.send(b'x', 'finger')",
    ),
    "ask-connects": Broken(
        "share of", "while True:\n        async with await asked.line.connect(80): pass", word=UNKNOWN
    ),
    "ask-leaks": Broken(
        "share of the time", "while True:\n        await asked.line.connect(80)", word=UNKNOWN
    ),
    "ask-datagrams": Broken("share of", "while True:\n        await asked.line.ask(7, b'x', wait=0.01)", word=UNKNOWN),
    "ask-waits": Broken("share of the time", "await asyncio.sleep(600)", word=UNKNOWN),
    "ask-drops-its-end": Broken(
        "share of the time",
        "while True:\n        try: await asyncio.sleep(600)\n        except BaseException: pass",
        word=UNKNOWN,
    ),
    "ask-sleeps": Broken("took 0.5 seconds", "time.sleep(600)"),
    "ask-loops": Broken("seconds", "while True: pass"),
    "ask-raises": Broken("KeyError", "raise KeyError('x')"),
    "ask-exits": Broken("SystemExit", "raise SystemExit(3)"),
    "ask-cancels": Broken("CancelledError", "raise asyncio.CancelledError"),
    "ask-refuses": Broken("ScopeRefused", "raise ScopeRefused('not here')"),
    "ask-ceiling": Broken("enough", "raise CeilingReached('enough')", word=UNKNOWN),
    "ask-forges": Broken("does not name in `produces`", "yield asked.seen[0]"),
    "ask-socket": Broken(
        "past hardenprobe's door",
        "import socket\n    with socket.socket() as sock: sock.connect((asked.line.address, 80))",
    ),
    "ask-tampers": Broken("tampered", "asked.seen.clear(); asked.heard.clear(); asked.seen = asked.heard = None; raise ValueError('tampered')"),
    # as they judge
    "judge-raises": Broken("KeyError", judge="raise KeyError('x')"),
    "judge-sleeps": Broken("took 0.5 seconds", judge="time.sleep(600)"),
    "judge-loops": Broken("seconds", judge="while True: pass"),
    "judge-nonsense": Broken("expected an Outcome", judge="return ['pass']"),
    "judge-twice": Broken("pass twice", judge="return [passed(seen.of(Seen)[0], 'x', 'y')] * 2"),
    "judge-both": Broken(
        "pass and fail", judge="return [passed(seen.of(Seen)[0], 'x', 'y'), fail(seen.of(Seen)[0], 'x', 'y')]"
    ),
    "judge-tampers": Broken("TypeError", judge="seen.device.nothing = 1"),
}  # fmt: skip
EVERYBODY = [{"speaks": "http"}, {"speaks": "raw-print"}]
SERVICES = [
    [*EVERYBODY, *more]
    for more in (
        [],
        [{"speaks": "telnet"}],
        [{"speaks": "ftp"}],
        [{"speaks": "remote-screen"}],
        [{"speaks": "echo"}],
        [{"speaks": "ssh"}],
    )
]
QUICK = "connect: 0.3, greeting: 0.1, reply: 0.5, pause: 0.0"


class Scans(NamedTuple):
    without: Review
    beside: Review
    folder: Path


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scans]:
    folder = tmp_path_factory.mktemp("broken")
    (folder / "checks").mkdir()
    for name, plugin in PLUGINS.items():
        text = FILE.format(name=name, ask=plugin.ask, judge=plugin.judge, after=plugin.after)
        (folder / "checks" / f"{name.replace('-', '_')}.py").write_text(text)
    good = FILE.format(name="good-one", ask="pass", judge=GOOD, after="")
    (folder / "checks" / "good_one.py").write_text(good)
    pid = os.getpid()
    devices = [
        {
            "asset_tag": f"T-{number}",
            "addresses": [f"127.{60 + pid // 256 % 50}.{pid % 256}.{number}"],
            "lab": {"model": "Model T", "services": services},
        }
        for number, services in enumerate(SERVICES, 1)
    ]
    (folder / "devices.yaml").write_text(yaml.safe_dump({"inventory": FORMAT, "devices": devices}))
    (folder / "quick.yaml").write_text(
        f'baseline: "quick/1"\nextends: "office-device"\ngentleness: {{{QUICK}}}\n'
    )
    before = dict(KINDS)
    with pytest.MonkeyPatch.context() as patch, running_lab(folder / "devices.yaml") as lab:
        patch.setattr(time_limit, "SECONDS", 0.5)
        patch.setattr(time_limit, "WAITING", 0.5)
        patch.setattr(time_limit, "STEP", 0.5)
        patch.setattr(engine, "PLUGGED_SECONDS", 1.5)

        def scanned(*folders: str) -> Review:
            request = ScanRequest(
                targets=pinned([device["addresses"][0] for device in devices]),
                inventory=str(folder / "devices.yaml"),
                baseline=str(folder / "quick.yaml"),
                trust_anchors=(str(lab.ca_file),),
                system_anchors=False,
                port_offset=lab.port_offset,
                plugins=False,
                checks_from=folders,
            )
            return asyncio.run(scan_and_judge(*request.prepare()))

        yield Scans(scanned(), scanned(str(folder / "checks")), folder / "checks")
    KINDS.clear()
    KINDS.update(before)


def said(result: Result) -> tuple[object, ...]:
    return (
        result.device,
        result.check,
        result.endpoint,
        result.subject,
        result.result,
        result.reason,
        result.observed.text if result.check != "clock-skew" else "",  # it names the time
        result.expected.text,
        result.score,
    )


@pytest.mark.timeout(60)
def test_every_other_result_is_what_it_is_without_them(scans: Scans) -> None:
    ours = {said(r) for r in scans.beside.results if r.origin == "hardenprobe"}
    without = {said(r) for r in scans.without.results}
    assert (ours - without, without - ours) == (set(), set())
    assert len(scans.beside.devices) == len(SERVICES)
    assert not scans.beside.head.interrupted and not scans.beside.coverage.unfinished
    assert Word.ERROR not in {r.result for r in scans.without.results}
    good = [r.result for r in scans.beside.results if r.check == "good-one"]
    assert good == [Word.PASS] * len(SERVICES)


@pytest.mark.timeout(60)
@pytest.mark.parametrize("name", PLUGINS)
def test_a_broken_plug_in_is_named_and_costs_its_own_result(scans: Scans, name: str) -> None:
    plugin, file = PLUGINS[name], str(scans.folder / f"{name.replace('-', '_')}.py")
    own = [r for r in scans.beside.results if r.origin.startswith(file)]
    assert [(r.result, r.observed.text) for r in own if r.result is not plugin.word] == []
    assert len(own) == len(SERVICES)
    assert all(plugin.says in r.observed.text for r in own), {r.observed.text for r in own}
    if plugin.word is Word.ERROR and not name.startswith("load"):
        assert all(f"{file}, line" in r.observed.text for r in own)


@pytest.mark.timeout(60)
def test_a_port_that_prints_heard_nothing(scans: Scans) -> None:
    for seen in scans.beside.observations.values():
        for one in seen:
            if one.endpoint and one.endpoint.port == 9100:
                assert all(exchange.direction == "received" for exchange in one.transcript)
