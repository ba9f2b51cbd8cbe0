"""Whether our own clock is right. A verdict about dates rests on it."""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Iterable
from dataclasses import replace

from hardenprobe.model import Clock
from hardenprobe.model.transcript import utc_now
from hardenprobe.scope.scope import Scope, is_loopback

MOST_OFFSET = 1.0  # seconds; a verdict about dates rests on days, and log entries are put together by seconds
_STA_UNSYNC = 0x40  # <sys/timex.h>
_TIME_ERROR = 5


def prove(scope: Scope, addresses: Iterable[str]) -> Clock:
    """Find a reason to trust this machine's clock.

    Args:
        addresses: First and last addresses of what will be scanned: this machine's own share its clock.
    """
    if all(map(is_loopback, addresses)):
        return Clock(now=utc_now(), proven=True, how="the devices run on this machine and share its clock")
    if scope.clock_checked_by:
        return Clock(
            now=utc_now(), proven=True, how=f"checked by {scope.clock_checked_by}, as the scope file says"
        )
    if _kernel_synchronised():
        return Clock(now=utc_now(), proven=True, how="the kernel says that a time service keeps it")
    how = "no time service keeps it, and the scope file's clock_checked_by names no person who checked it"
    return Clock(now=utc_now(), proven=False, how=how)


def measured(proof: Clock, reference: str, offset: float | None) -> Clock:
    """What is known of our clock once a time server was asked.

    Args:
        offset: Seconds that the server is ahead of us; None where it did not answer.
    """
    if offset is None:
        return replace(proof, how=f"{proof.how}; time server {reference} did not answer")
    if abs(offset) > MOST_OFFSET:
        how = f"time server {reference} is {offset:+.3f} s from it, more than {MOST_OFFSET:g} s"
        return replace(proof, proven=False, how=how, offset=offset, reference=reference)
    how = f"time server {reference} is {offset:+.3f} s from it"
    return replace(proof, proven=True, how=how, offset=offset, reference=reference)


def _kernel_synchronised() -> bool:
    """Ask Linux's adjtimex(2) without changing anything."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        buffer = ctypes.create_string_buffer(512)  # struct timex, generously; modes = 0 reads only
        state = ctypes.CDLL(None).adjtimex(buffer)
    except (OSError, AttributeError):
        return False
    word = ctypes.sizeof(ctypes.c_long)
    # modes (int, padded), offset, freq, maxerror, esterror (long each), status (int)
    status = int.from_bytes(buffer.raw[5 * word : 5 * word + 4], sys.byteorder)
    return 0 <= state < _TIME_ERROR and not status & _STA_UNSYNC
