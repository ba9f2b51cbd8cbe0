"""No bytes of a device make a parser of ours raise anything but what its probe expects."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.messages import MESSAGES
from support.parsers import NO_PARSER, PARSERS, Parser
from support.parsers.registry import CORPUS

from hardenprobe import probes
from hardenprobe.errors import MalformedReply

FOLDER = Path(str(probes.__file__)).parent
MODULES = {
    ".".join(path.relative_to(FOLDER).with_suffix("").parts)
    for path in FOLDER.rglob("*.py")
    if path.name not in ("__init__.py", "base.py")
}


def test_every_module_of_probes_is_run_or_has_nothing_to_run() -> None:
    run = {module for parser in PARSERS.values() for module in parser.covers}

    assert run | set(NO_PARSER) == MODULES
    assert not run & set(NO_PARSER)


@st.composite
def spoilt(draw: st.DrawFn, seeds: tuple[bytes, ...]) -> bytes:
    """Any bytes, or a good message with some changed, taken out, put in, or repeated."""
    data = bytearray(
        draw(st.sampled_from(seeds) | st.binary(max_size=200) if seeds else st.binary(max_size=200))
    )
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(data)))
        match draw(st.sampled_from(["change", "cut", "insert", "end", "again"])):
            case "change" if at < len(data):
                data[at] = draw(st.integers(0, 255))
            case "cut":
                del data[at : at + draw(st.integers(1, 5))]
            case "insert":
                data[at:at] = draw(st.binary(min_size=1, max_size=5))
            case "end":
                del data[at:]
            case "again":
                data[at:at] = data[at : at + 40] * draw(st.integers(1, 8))
    return bytes(data)


@pytest.mark.parametrize("name", PARSERS)
@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_no_bytes_raise_what_nobody_expects(name: str, data: st.DataObject) -> None:
    PARSERS[name].try_on(data.draw(spoilt(PARSERS[name].seeds())))


@pytest.mark.parametrize("name", MESSAGES)
@settings(max_examples=8, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_no_message_of_a_protocol_raises_what_nobody_expects(name: str, data: st.DataObject) -> None:
    PARSERS[name].try_on(data.draw(MESSAGES[name]))


@pytest.mark.parametrize("name", sorted(path.name for path in CORPUS.iterdir() if path.is_dir()))
def test_what_real_servers_said_and_what_once_was_a_crash_is_read(name: str) -> None:
    for line in (
        parser for parser in PARSERS if parser.removesuffix("-line").startswith(name.removesuffix("-line"))
    ):
        for said in PARSERS[name].corpus():
            PARSERS[line].try_on(said)


@pytest.mark.parametrize("name", PARSERS)
def test_a_good_message_is_understood(name: str) -> None:
    """Otherwise fuzzing would begin, and stay, outside of the parser."""
    read = 0
    for seed in PARSERS[name].seeds():
        with contextlib.suppress(MalformedReply):
            PARSERS[name].run(seed)
            read += 1
    assert read


def test_a_parser_that_raises_anything_else_is_found() -> None:
    with pytest.raises(ZeroDivisionError):
        Parser(name="bad", covers=(), made=lambda: (), run=lambda data: 1 // len(data)).try_on(b"")
