"""Fuzz parsers with coverage guidance, for as long as you like. Needs atheris, which is no dependency of the project.

    python tests/fuzz/fuzz.py                            names all parsers
    python tests/fuzz/fuzz.py --rates                    says how many good messages a second each takes
    python tests/fuzz/fuzz.py --all 3                    fuzzes each for three seconds, as many at a time as there are cores
    python tests/fuzz/fuzz.py PARSER -max_total_time=60  fuzzes one, with the options of libFuzzer

A parser begins with its good messages, which hold answers of real servers and what once was a crash (tests/fuzz/corpus), with
messages drawn from the structure of its protocol (tests/support/messages), and with the dictionary of its protocol. What it
finds is written to a file, which it replays: `python tests/fuzz/fuzz.py PARSER crash-...`. Add that file to the corpus: the
same parsers meet the corpus, the drawn messages and hypothesis in tests/probes/test_parsers.py. A parser whose name ends in
`-line` is a whole question over a line of fixed bytes, and ten times as slow.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import sys
import tempfile
import time
import traceback
import warnings
from functools import cache
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))
DRAWN = 40  # messages of a protocol to begin with
FLAGS = ("-rss_limit_mb=1024", "-timeout=5", "-max_len=9000", "-print_final_stats=1")
_STATISTIC = re.compile(r"stat::(number_of_executed_units|average_exec_per_sec|peak_rss_mb): +(\d+)")


def main() -> None:
    """Hand over to atheris, or say what there is."""
    given = sys.argv[1:]
    if given[:1] == ["--rates"]:
        return rates()
    try:
        import atheris
    except ImportError:
        sys.exit("atheris is not installed: python -m pip install atheris")
    warnings.simplefilter("ignore")
    with (
        contextlib.redirect_stderr(io.StringIO()),
        atheris.instrument_imports(include=["hardenprobe", "html.parser"]),
    ):
        from support.parsers import PARSERS

        from hardenprobe.probes import packets

        packets._layers()
    if given[:1] == ["--all"] and len(given) in (2, 3):
        named = given[2].split(",") if given[2:] else sorted(PARSERS)
        return fuzz_all(atheris, [PARSERS[name] for name in named], int(given[1]))
    if not given or given[0] not in PARSERS:
        sys.exit(f"which parser? {' '.join(sorted(PARSERS))}")
    fuzz(atheris, PARSERS[given[0]], given[1:])


def fuzz(atheris: Any, parser: Any, options: list[str]) -> None:
    """Fuzz one parser in this process, which libFuzzer ends."""
    with tempfile.TemporaryDirectory() as folder:
        dictionary = [
            f"-dict={path}" for path in (HERE / "corpus").glob("*.dict") if parser.name.startswith(path.stem)
        ]
        if not any(Path(option).exists() for option in options):
            for number, message in enumerate((*parser.seeds(), *drawn(parser.name))):
                (Path(folder) / f"seed-{number}").write_bytes(message)
            options = [*options, folder]
        parser.try_on(b"")  # what is imported or made by the first call
        atheris.Setup([sys.argv[0], *FLAGS, *dictionary, *options], parser.try_on)
        atheris.Fuzz()


def fuzz_all(atheris: Any, parsers: list[Any], seconds: int) -> None:
    """Fuzz each in a process of its own, one a core. What is instrumented once serves all.

    Raises:
        SystemExit: One failed.
    """
    for parser in parsers:
        parser.try_on(b"")
        drawn(parser.name)
    waiting, running, failed = list(parsers), {}, []
    with tempfile.TemporaryDirectory() as folder:
        while waiting or running:
            while waiting and len(running) < len(os.sched_getaffinity(0)):
                parser = waiting.pop(0)
                said = Path(folder) / parser.name
                if not (child := os.fork()):
                    out = os.open(said, os.O_WRONLY | os.O_CREAT)
                    os.dup2(out, 1)
                    os.dup2(out, 2)
                    try:  # libFuzzer ends the process; what is raised must not unwind what is the parent's
                        fuzz(
                            atheris,
                            parser,
                            [f"-max_total_time={seconds}", "-seed=1", f"-artifact_prefix={parser.name}-"],
                        )
                    except BaseException:  # noqa: BLE001 - it is said, and the parent sees the status
                        traceback.print_exc()
                    finally:
                        os._exit(1)
                running[child] = parser, said
            child, status = os.wait()
            parser, said = running.pop(child)
            text = said.read_text(errors="replace")
            found = dict(_STATISTIC.findall(text))
            print(
                f"{parser.name:22}{int(found.get('number_of_executed_units', 0)):>10,} inputs, "
                f"{int(found.get('average_exec_per_sec', 0)):>7,} a second, {found.get('peak_rss_mb', '?')} MB at most",
                flush=True,
            )
            if status:
                failed.append(parser.name)
                print(text[-6000:])
    if failed:
        sys.exit(f"failed: {' '.join(failed)}")


@cache
def drawn(name: str) -> list[bytes]:
    """Messages of a protocol, the same ones every time."""
    from hypothesis import HealthCheck, Phase, given, settings
    from support.messages import MESSAGES

    found: list[bytes] = []
    if name in MESSAGES:
        plain = settings(
            max_examples=DRAWN,
            database=None,
            derandomize=True,
            deadline=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        plain(given(MESSAGES[name])(lambda message: found.append(message)))()
    return found


def rates() -> None:
    """Print how many good messages a second each parser takes, without coverage."""
    from support.parsers import PARSERS

    warnings.simplefilter("ignore")
    for name, parser in sorted(PARSERS.items()):
        seeds = parser.seeds()
        for seed in seeds:
            parser.try_on(seed)
        count, began = 0, time.process_time()
        while time.process_time() - began < 0.5:
            for seed in seeds:
                parser.try_on(seed)
            count += len(seeds)
        print(f"{name:22}{count / (time.process_time() - began):>10,.0f} a second")


if __name__ == "__main__":
    main()
