"""Our clock against a time server: a real one, and ones that are late, silent, unsynchronised or forged."""

from __future__ import annotations

import asyncio
import os
import shutil
import socket
import struct
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from hardenprobe.model import Clock
from hardenprobe.network import audit_hook, ntp
from hardenprobe.scope import clock

HERE = "127.0.0.1"
ERA = 2_208_988_800  # RFC 5905 section 6: seconds from 1900 to 1970
Answer = Callable[[bytes], bytes | None]


def stamp(seconds: float) -> bytes:
    return struct.pack("!II", (int(seconds) + ERA) % 2**32, int(seconds % 1 * 2**32))


def reply(
    query: bytes, *, ahead: float = 0.0, first: int = 0x24, stratum: int = 2, nonce: bytes | None = None
) -> bytes:
    """RFC 5905 section 7.3: a server's packet, whose clock is some seconds ahead."""
    now = stamp(time.time() + ahead)
    head = struct.pack("!BBbb3I", first, stratum, 6, -20, 0, 0, 0)
    return head + now + (query[40:48] if nonce is None else nonce) + now + now


@contextmanager
def serving(answer: Answer) -> Iterator[int]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind((HERE, 0))

        def run() -> None:
            while True:
                query, peer = sock.recvfrom(100)
                if not query:
                    return
                if said := answer(query):
                    sock.sendto(said, peer)

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        yield sock.getsockname()[1]
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as last:
            last.sendto(b"", sock.getsockname())
        thread.join(5)


def measured(answer: Answer, monkeypatch: pytest.MonkeyPatch) -> float | None:
    monkeypatch.setattr(ntp, "WAIT", 0.2)
    with serving(answer) as port:
        return asyncio.run(ntp.offset(HERE, port))


@pytest.mark.parametrize("ahead", [0.0, 12.5, -3600.0])
def test_the_offset_is_what_the_server_is_ahead(ahead: float, monkeypatch: pytest.MonkeyPatch) -> None:
    found = measured(lambda query: reply(query, ahead=ahead), monkeypatch)
    assert found is not None and abs(found - ahead) < 0.5


@pytest.mark.parametrize(
    "answer",
    [
        lambda _: None,
        lambda _: b"short",
        lambda query: reply(query, nonce=bytes(8)),
        lambda query: reply(query, first=0xE4),  # leap indicator 3: clock not synchronised
        lambda query: reply(query, first=0x23),  # a client
        lambda query: reply(query, stratum=0),  # a kiss of death (RFC 5905 section 7.4)
        lambda query: reply(query, stratum=16),
    ],
    ids=["silent", "short", "another's", "unsynchronised", "a client", "kiss of death", "stratum 16"],
)
def test_what_is_no_answer_measures_nothing(answer: Answer, monkeypatch: pytest.MonkeyPatch) -> None:
    assert measured(answer, monkeypatch) is None


def test_a_stamp_after_2036_is_read_in_the_second_era() -> None:
    later = 2_100_000_000.5  # 2036-07-18
    found = ntp._seconds(int.from_bytes(stamp(later)))
    assert abs(found - later) < 1e-6


def test_what_was_measured_decides_whether_the_clock_is_proven() -> None:
    before = Clock(now="2026-03-02T21:00:00Z", proven=True, how="the kernel says so")
    close, far, gone = (clock.measured(before, HERE, offset) for offset in (0.01, -7.0, None))
    assert close.proven and (close.offset, close.reference) == (0.01, HERE)
    assert not far.proven and "-7.000 s" in far.how
    assert gone.proven and gone.offset is None and "did not answer" in gone.how


@pytest.mark.slow
@pytest.mark.peer
@pytest.mark.skipif(os.geteuid() != 0, reason="chronyd wants to be root's")
def test_a_real_time_server_on_this_machine_is_not_ahead_of_it(tmp_path: Path) -> None:
    program = shutil.which("chronyd")
    if program is None:
        pytest.skip("needs the Debian package chrony")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind((HERE, 0))
        port = free.getsockname()[1]
    settings = (f"bindaddress {HERE}", f"port {port}", "allow all", "local stratum 5", "cmdport 0", "bindcmdaddress /",
                f"pidfile {tmp_path / 'pid'}")  # fmt: skip
    server = subprocess.Popen(
        [program, "-4", "-x", "-d", "-u", "root", *settings],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        found = None
        for _ in range(20):
            with audit_hook.watching():  # as in a scan: what is not granted does not leave
                found = asyncio.run(ntp.offset(HERE, port))
            if found is not None or server.poll() is not None:
                break
            time.sleep(0.1)
    finally:
        server.terminate()
        server.wait(10)
    assert found is not None and abs(found) < 0.1
