"""One running lab for all tests of this room, and small clients to ask it with."""

from __future__ import annotations

import contextlib
import os
import random
import socket
import ssl
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from hardenprobe.demo_lab import RunningLab, running_lab
from hardenprobe.errors import UsageError

Read = Callable[..., bytes]


@contextlib.contextmanager
def _somewhere(inventory: Path | None) -> Iterator[RunningLab]:
    """A lab at an offset that nobody else on this machine uses just now."""
    chooser = random.Random(os.getpid())
    for _ in range(8):
        with contextlib.ExitStack() as stack:
            try:
                lab = stack.enter_context(running_lab(inventory, port_offset=chooser.randrange(52000, 55000)))
            except UsageError as exc:
                if "in use" not in str(exc):
                    raise
                continue
            yield lab
            return
    pytest.fail("no free port offset in eight tries")


@pytest.fixture(scope="session")
def lab() -> Iterator[RunningLab]:
    """The shipped inventory, on the line."""
    with _somewhere(None) as running:
        yield running


@pytest.fixture(scope="session")
def lab_of() -> Callable[[Path], contextlib.AbstractContextManager[RunningLab]]:
    """Run an inventory of the test's own."""
    return _somewhere


@pytest.fixture
def connect(lab: RunningLab) -> Callable[..., socket.socket]:
    """Open a TCP connection to a device's port, as assigned, from a source of choice."""

    def opened(address: str, port: int, source: str = "127.0.0.1") -> socket.socket:
        return socket.create_connection((address, port + lab.port_offset), 5, source_address=(source, 0))

    return opened


@pytest.fixture
def exchange(connect: Callable[..., socket.socket]) -> Read:
    """Say something and read to the end, or to `until`."""

    def talk(
        address: str, port: int, said: bytes = b"", *, until: bytes | None = None, source: str = "127.0.0.1"
    ) -> bytes:
        with connect(address, port, source) as line:
            line.sendall(said)
            heard = b""
            while (until is None or until not in heard) and (data := line.recv(65536)):
                heard += data
            return heard

    return talk


@pytest.fixture
def old_client() -> Callable[[str, str], ssl.SSLContext]:
    """A TLS client of exactly one version that takes any certificate and any suite."""

    def made(version: str, ciphers: str = "ALL") -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
        context.set_ciphers(f"{ciphers}:@SECLEVEL=0")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)
            exact = ssl.TLSVersion[f"TLSv{version.replace('.', '_')}".replace("TLSv1_0", "TLSv1")]
            context.maximum_version = context.minimum_version = exact
        return context

    return made


@pytest.fixture
def write_inventory(tmp_path: Path) -> Callable[[str], Path]:
    """Write the devices of an inventory below its head."""

    def written(devices: str) -> Path:
        path = tmp_path / "inventory.yaml"
        path.write_text(f'inventory: "hardenprobe.inventory/1"\ndevices:\n{devices}')
        return path

    return written
