"""Fixtures for pytest. A `conftest.py` asks for them: `pytest_plugins = ["hardenprobe.testing.fixtures"]`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.checking.check import Check
from hardenprobe.testing.contract import complaints
from hardenprobe.testing.devices import LabDevice
from hardenprobe.testing.devices import lab_device as serving
from hardenprobe.testing.replay import Replay

Holds = Callable[..., None]


@pytest.fixture
def lab_device(tmp_path: Path) -> Iterator[Callable[..., LabDevice]]:
    """Make devices that are really on the network, from a few words; they are gone when the test ends.

    `lab_device({"speaks": "telnet"}).scan("cleartext-telnet")`; arguments as for `hardenprobe.testing.devices.lab_device`.
    """
    with ExitStack() as stack:

        def make(*services: dict[str, Any], **more: Any) -> LabDevice:
            return stack.enter_context(serving(*services, **{"folder": tmp_path, **more}))

        yield make


@pytest.fixture
def replay() -> type[Replay]:
    """A line that plays a device from a script; see `hardenprobe.testing.replay`."""
    return Replay


@pytest.fixture
def holds_contract() -> Holds:
    """Fail with all that a check breaks of its contract: `holds_contract(CHECK)`, with `settings=` where it has some."""

    def hold(check: Check[Any], settings: Any = None) -> None:
        broken = complaints(check, settings)
        assert not broken, "\n".join((f"{check.id} breaks the contract:", *broken))

    return hold
