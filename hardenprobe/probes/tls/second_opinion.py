"""A second implementation, kept at arm's length: flaw probes and a second enumeration by sslyze.

The library parses hostile bytes in an old native TLS stack, so it runs in a child process with a ceiling on time and
memory, a fresh one for each port. The child can reach one thing: this module's relay on loopback. Each of its connections
becomes one connection through Line, so that scope, pauses, ceilings and counts hold; what the device says to it is
passed on and not recorded, since a flaw probe may be handed the device's memory.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import hardenprobe
from hardenprobe.errors import CeilingReached, HardenprobeError, ScopeRefused, Unreachable
from hardenprobe.facts import VERSIONS, TlsFlaws, TlsSecondOpinion
from hardenprobe.model import Observation
from hardenprobe.network import audit_hook
from hardenprobe.network.link import DeviceLink
from hardenprobe.network.sockets import READ_LIMIT
from hardenprobe.network.stream import Stream
from hardenprobe.probes.tls.exchange import Opening
from hardenprobe.probes.tls.openings import OPENINGS
from hardenprobe.scope.limits import Timing

SECONDS = 120.0  # a whole enumeration takes 2 to 5 s on loopback, and on a slow device much longer
CONNECTIONS = 570  # a whole enumeration takes 535
FLAW_CONNECTIONS = 45  # the library takes 22, our own probes 12
MEMORY = 1536 * 1024 * 1024  # address space; a child that has just loaded the library takes 350 MB of it
OUTPUT = 262144  # bytes of JSON that are believed
# Flaw to the id of the check that judges it, under which a scope grants it.
FLAWS = {
    "heartbleed": "tls-heartbleed",
    "early_ccs": "tls-early-ccs",
    "padding_oracle": "tls-rsa-padding-oracle",
}


@dataclass(kw_only=True)
class _Relay:
    """One listening socket on loopback for the child.

    Attributes:
        stopped: Why a connection of the child was not made, a word of records.Reason. The library takes a closed
            connection for a refusal, so that nothing it found sound or refused can be believed then.
    """

    line: DeviceLink
    port: int
    word: str
    opening: Opening | None
    connections: int = 0
    stopped: str | None = None

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Carry one connection of the child to the device and back."""
        try:
            self.connections += 1
            async with await self.line.connect(self.port) as stream:
                if self.opening is not None:
                    await self.opening(stream)
                await _carry(stream, reader, writer, self.line.timing.reply)
        except (CeilingReached, ScopeRefused) as exc:
            self.stopped = "ceiling" if isinstance(exc, CeilingReached) else "scope"
        except Unreachable as exc:
            self.stopped = self.stopped or ("silent" if exc.state == "silent" else "dropped")
        except (HardenprobeError, OSError):
            self.stopped = self.stopped or "inconclusive"
        finally:
            writer.close()


async def _carry(
    stream: Stream, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, wait: float
) -> None:
    async def outward() -> None:
        while data := await reader.read(READ_LIMIT):
            await stream.raw_send(data)

    async def inward() -> None:
        while data := await stream.raw_receive(READ_LIMIT, 4 * wait):
            writer.write(data)
            await writer.drain()

    tasks = {asyncio.ensure_future(outward()), asyncio.ensure_future(inward())}
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            with contextlib.suppress(Unreachable, OSError):
                task.result()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


@contextlib.asynccontextmanager
async def _listening(relay: _Relay) -> AsyncIterator[int]:
    server = await asyncio.start_server(relay.serve, "127.0.0.1", 0)
    try:
        yield int(server.sockets[0].getsockname()[1])
    finally:
        server.close()


def strain_timing(timing: Timing, *, second_opinion: bool) -> Timing:
    """Ceilings under which all of it can end, for three TLS ports on one device."""
    more = FLAW_CONNECTIONS + (CONNECTIONS if second_opinion else 0)
    return replace(
        timing,
        connections=timing.connections + 3 * more,
        seconds=timing.seconds + 3 * SECONDS * second_opinion,
    )


async def probe_flaws(
    line: DeviceLink,
    port: int,
    flaws: Sequence[str] = tuple(FLAWS),
    *,
    reached: str = "implicit",
    seconds: float = SECONDS,
) -> list[Observation[Any]]:
    """Run flaw probes. Reach: strain.

    Args:
        flaws: Names in FLAWS; the others stay unknown.

    Raises:
        ScopeRefused: TLS may not be spoken to this port.
    """
    relay = _relay(line, port, reached)
    answer, fault = await _child(relay, flaws, seconds)
    found = {name: dict(answer[name]) for name in flaws if name in answer}
    if relay.stopped:
        for item in found.values():
            if item.get("state") == "sound":
                item.update(state="unknown", how="a connection could not be made")
    states: dict[str, Any] = {name: str(item.get("state", "unknown")) for name, item in found.items()}
    facts = TlsFlaws(
        reached=reached,
        how={name: str(item.get("how", fault or ""))[:200] for name, item in found.items()},
        unknown_why=(relay.stopped or ("crashed" if fault else "inconclusive"))
        if _open(found, flaws)
        else None,
        connections=relay.connections,
        **states,
    )
    return [line.observation(facts, line.endpoint(port, protocol=_spoken(reached)))]


def _relay(line: DeviceLink, port: int, reached: str) -> _Relay:
    word = "tls" if reached == "implicit" else reached
    return _Relay(line=line, port=port, word=word, opening=OPENINGS.get(reached))


def _open(found: dict[str, Any], flaws: Sequence[str]) -> bool:
    return len(found) < len(flaws) or any(item.get("state") == "unknown" for item in found.values())


async def probe_second_opinion(
    line: DeviceLink,
    port: int,
    *,
    reached: str = "implicit",
    seconds: float = SECONDS,
) -> list[Observation[Any]]:
    """Have every suite of every version asked for by the other implementation. Reach: strain, over 500 connections.

    Raises:
        ScopeRefused: TLS may not be spoken to this port.
    """
    relay = _relay(line, port, reached)
    answer, fault = await _child(relay, VERSIONS, seconds)
    if relay.stopped:
        answer, fault = {}, f"a connection could not be made: {relay.stopped}"
    done = {version: item for version, item in answer.items() if item.get("state") == "done"}
    missing = [version for version in VERSIONS if version not in done]
    if missing and fault is None:
        fault = f"{', '.join(missing)} not finished"
    facts = TlsSecondOpinion(
        reached=reached,
        suites={version: tuple(item["accepted"]) for version, item in done.items()},
        asked={version: tuple(item["asked"]) for version, item in done.items()},
        fault=fault,
        connections=relay.connections,
    )
    return [line.observation(facts, line.endpoint(port, protocol=_spoken(reached)))]


def _spoken(reached: str) -> str:
    return "tls" if reached == "implicit" else f"{reached}+tls"


async def _child(
    relay: _Relay, questions: Sequence[str], seconds: float
) -> tuple[dict[str, Any], str | None]:
    """Start a child, give it the relay's port and the questions; return its answers, and what went wrong."""
    if not relay.line.speaks(relay.port, relay.word):
        raise ScopeRefused(
            f"{relay.port}/tcp of {relay.line.address} is not on the may-speak list for {relay.word}",
            relay.line.address,
        )
    async with _listening(relay) as local:
        wish = {"port": local, "questions": list(questions), "memory": MEMORY, "seconds": seconds}
        wish["wait"] = max(1.0, relay.line.timing.reply)
        # -P: nothing is imported from the user's current folder.
        command = [sys.executable, "-P", "-m", "hardenprobe.probes.tls.second_opinion_child"]
        try:
            with audit_hook.child(command):
                process = await asyncio.create_subprocess_exec(
                    *command,
                    stdin=asyncio.subprocess.PIPE,
                    stdout=asyncio.subprocess.PIPE,
                    stderr=asyncio.subprocess.DEVNULL,
                    env={
                        **{k: v for k, v in os.environ.items() if "proxy" not in k.lower()},
                        "PYTHONPATH": str(Path(hardenprobe.__file__).parent.parent),
                    },
                )
        except OSError as exc:  # no memory, or no place for a process
            return {}, f"the child could not be started: {exc.strerror}"
        try:
            async with asyncio.timeout(seconds):
                out, _ = await process.communicate(json.dumps(wish).encode())
        except TimeoutError:
            return {}, f"the child took more than {seconds:g} s"
        finally:
            if process.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
                await process.wait()
    if process.returncode != 0:
        return {}, f"the child ended with status {process.returncode}"
    try:
        answer = json.loads(out[:OUTPUT])
    except ValueError:
        return {}, "the child's answer cannot be read"
    return (answer, None) if isinstance(answer, dict) else ({}, "the child's answer is no mapping")
