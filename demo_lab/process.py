"""Start the lab as a child process, for a demonstration or a test, and always clean it up."""

from __future__ import annotations

import contextlib
import json
import os
import selectors
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import hardenprobe
from hardenprobe.errors import UsageError

INVENTORY = Path(__file__).with_name("inventory.yaml")
"""The lab's own inventory, and the example for a user's."""
BASELINE = Path(__file__).with_name("baseline.yaml")
"""What is expected of those devices."""
HOSTILE = Path(__file__).with_name("hostile.yaml")
"""Devices that attack the scanner, and a few good ones among them."""

READY_S = 30.0  # a loaded machine takes its time; the lab itself needs about a second
REPLY_S = 10.0
STOP_S = 5.0


@dataclass(eq=False, kw_only=True)
class RunningLab:
    """A lab that is serving.

    Attributes:
        inventory: The file that lists its devices; that of a fleet goes away with the lab.
        port_offset: Added to every port.
        ca_file: PEM file of the authority that signed its trusted certificates; it goes away with the lab.
        devices: How many are on the line.
        sockets: How many ports are bound.
        final: What `counters()` said at the very end, None until then.
    """

    inventory: Path
    port_offset: int
    ca_file: Path
    devices: int
    sockets: int
    pid: int
    final: dict[str, dict[str, int]] | None = None
    _pipe: _Pipe = field(repr=False)

    def counters(self) -> dict[str, dict[str, int]]:
        """Bytes that raw print ports have received by asset tag, connections by address, and by address and port.

        Raises:
            UsageError: The lab is gone.
        """
        self._pipe.say("counters")
        answer: dict[str, dict[str, int]] = self._pipe.hear(REPLY_S)
        return answer


@contextlib.contextmanager
def running_lab(
    inventory: Path | None = None,
    port_offset: int | None = None,
    addresses: Sequence[str] | None = None,
    *,
    fleet: int | None = None,
    seed: int = 1,
    services_from: Sequence[Path] = (),
) -> Iterator[RunningLab]:
    """Run the lab beside this process.

    Args:
        inventory: The shipped one by default.
        port_offset: Chosen by the lab by default: 0 where low ports may be bound and are free, else 20000 or more.
        addresses: Serve only these.
        fleet: Simulate so many devices of `fleet.devices` in place of an inventory's; `fleet.span` tells their addresses.
        seed: Decides the mixture of the fleet.
        services_from: Folders whose Python files bring services of your own; their code runs in the lab's process.

    Raises:
        UsageError: The lab could not start; says why in one line.
    """
    # -P: nothing in the current folder may stand in for the package; a checkout's parent folder is named instead.
    command = [sys.executable, "-P", "-m", "hardenprobe.demo_lab"]
    if fleet is None:
        command += ["--inventory", str(inventory or INVENTORY)]
    else:
        command += ["--fleet", str(fleet), "--seed", str(seed)]
    for folder in services_from:
        command += ["--services-from", str(folder)]
    if port_offset is not None:
        command += ["--port-offset", str(port_offset)]
    if addresses is not None:
        command += ["--addresses", *addresses]
    package = str(Path(hardenprobe.__file__).resolve().parent.parent)
    paths = [package, *filter(None, [os.environ.get("PYTHONPATH")])]
    with tempfile.TemporaryFile() as complaints:
        child = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=complaints,
            start_new_session=True,  # Ctrl-C is for whoever started the lab, who then closes it
            env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        )
        pipe = _Pipe(child)
        try:
            try:
                ready = pipe.hear(READY_S)
            except UsageError as exc:
                with contextlib.suppress(subprocess.TimeoutExpired):
                    child.wait(STOP_S)
                complaints.seek(0)
                said = complaints.read(4096).decode("utf-8", "replace").strip().splitlines()
                raise UsageError(said[-1] if said else str(exc)) from None
            lab = RunningLab(
                inventory=Path(ready["inventory"]),
                port_offset=ready["port_offset"],
                ca_file=Path(ready["ca_file"]),
                devices=ready["devices"],
                sockets=ready["sockets"],
                pid=child.pid,
                _pipe=pipe,
            )
            yield lab
            lab.final = pipe.finish()
        finally:
            pipe.end()


class _Pipe:
    """Lines to and from the child."""

    def __init__(self, child: subprocess.Popen[bytes]) -> None:
        assert child.stdin and child.stdout
        self._child, self._stdin, self._stdout = child, child.stdin, child.stdout
        self._pending = b""

    def say(self, line: str) -> None:
        try:
            self._stdin.write(line.encode() + b"\n")
            self._stdin.flush()
        except (OSError, ValueError) as exc:  # ValueError: our own end is closed
            raise UsageError("the demo lab has stopped") from exc

    def hear(self, wait_s: float) -> Any:
        """One line of JSON.

        Raises:
            UsageError: The child ended, or said nothing in time.
        """
        until = time.monotonic() + wait_s
        with selectors.DefaultSelector() as selector:
            selector.register(self._stdout, selectors.EVENT_READ)
            while b"\n" not in self._pending:
                if not selector.select(max(0.0, until - time.monotonic())):
                    raise UsageError(f"the demo lab said nothing for {wait_s:g} s")
                data = os.read(self._stdout.fileno(), 65536)
                if not data:
                    raise UsageError("the demo lab has stopped")
                self._pending += data
        line, _, self._pending = self._pending.partition(b"\n")
        return json.loads(line)

    def finish(self) -> dict[str, dict[str, int]] | None:
        """Ask the child to end by closing its input, and take its last line."""
        with contextlib.suppress(OSError):
            self._stdin.close()
        try:
            last: dict[str, dict[str, int]] = self.hear(STOP_S)
        except UsageError:
            return None
        return last

    def end(self) -> None:
        with contextlib.suppress(OSError):
            self._stdin.close()
        try:
            self._child.wait(STOP_S)
        except subprocess.TimeoutExpired:
            self._child.kill()
            self._child.wait()
        self._stdout.close()
