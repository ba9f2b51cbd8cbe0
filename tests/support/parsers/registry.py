"""What a parser under test is, and where good messages to begin from are taken."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from hardenprobe.devices.inventory import Listed
from hardenprobe.errors import CeilingReached, MalformedReply, Unreachable
from support.scripted_line import Fed, finish

CORPUS = Path(__file__).parents[2] / "fuzz" / "corpus"
NUMBER = 4711  # request id, message id, transaction id: what every question had


@dataclass(frozen=True, kw_only=True)
class Parser:
    """One parser.

    Attributes:
        covers: Modules of hardenprobe.probes whose parsing it runs.
        made: Good messages, made when they are asked for.
    """

    name: str
    covers: tuple[str, ...]
    made: Callable[[], tuple[bytes, ...]]
    run: Callable[[bytes], Any]

    def seeds(self) -> tuple[bytes, ...]:
        """What to begin from: good messages, answers of real servers, and what once was a crash."""
        return (*self.made(), *self.corpus())

    def corpus(self) -> tuple[bytes, ...]:
        """The files of tests/fuzz/corpus that are its own."""
        return tuple(path.read_bytes() for path in sorted((CORPUS / self.name).glob("*")))

    def try_on(self, data: bytes) -> None:
        """Run it.

        Raises:
            Exception: A fault.
        """
        with suppress(MalformedReply, Unreachable, CeilingReached):
            self.run(data)


PARSERS: dict[str, Parser] = {}


def parser(
    name: str, *covers: str, seeds: Callable[[], tuple[bytes, ...]] = lambda: ()
) -> Callable[[Callable[[bytes], Any]], Callable[[bytes], Any]]:
    """Register a parser under its name."""

    def register(run: Callable[[bytes], Any]) -> Callable[[bytes], Any]:
        PARSERS[name] = Parser(name=name, covers=covers, made=seeds, run=run)
        return run

    return register


def over(port: int, word: str, ask: Callable[[Fed], Awaitable[Any]]) -> Callable[[bytes], Any]:
    """A whole question whose answer the bytes are."""
    return lambda data: finish(ask(Fed(data, port, word)))


# ---- what the lab would answer, as seeds


@cache
def host() -> Any:
    from hardenprobe.demo_lab.declarations import Lab, Virtual
    from hardenprobe.demo_lab.server import engine_id
    from hardenprobe.demo_lab.service import Host

    listed = Listed(asset_tag="T-1", addresses=("127.0.9.9",), names=("t-1.devices.example",), kind="printer")
    device = Virtual(listed=listed, lab=Lab(model="Printer", firmware="1.0"))
    return Host(device=device, port_offset=0, engine_id=engine_id("T-1"))


def answered(make: Callable[[], Any], *questions: Callable[[], bytes]) -> Callable[[], tuple[bytes, ...]]:
    """What a service of the lab answers to each question."""

    def seeds() -> tuple[bytes, ...]:
        answer = make().answerer(host())
        return tuple(said for question in questions if (said := answer(question())))

    return seeds
