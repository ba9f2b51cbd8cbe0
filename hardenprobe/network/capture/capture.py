"""Captures the packets of one scan, and of nothing else, into a pcap file that holds no secret at any moment.

Whose a packet is, network/capture/flows.py knows. What stays of it: the headers in full, up to where the transport's payload begins. A payload is written as stars. When
the visit of a device is over, those of its bytes appear that the transcript of an observation holds too, at the same
place: what is a secret there (the fleet's communities and digests, cookies, job and user names) is starred already; a
published default community is none, it is the finding. What no transcript keeps stays starred: the second opinion's
connections, the sweep, fragments, what an ICMP error quotes beyond the ports, what flows inside TLS. Where a payload is
not the one that was on the wire, its checksum is computed anew over the stars: the old one would confirm a guess.

A scan that goes on adds to its file, so that packet numbers hold through all of its reviews.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import logging
import os
import select
import socket
import struct
import threading
import time
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hardenprobe.model import Captured
from hardenprobe.model.transcript import Recorder
from hardenprobe.network.capture import frames, packet_socket, pcap_file
from hardenprobe.network.capture.flows import RECEIVED, SENT, TOLD, Flow, Flows
from hardenprobe.network.capture.frames import Frame
from hardenprobe.network.capture.pcap_file import FILE_HEADER, LINK_HEADER, RECORD_HEADER

log = logging.getLogger("hardenprobe.network.capture.capture")

LARGEST = 1 << 18  # bytes of one packet; segmentation offload hands over more than the network's 1500
OF_ONE = 32 * 1024 * 1024  # bytes of one socket's packets; who sends more attacks, and would fill the disk
HELD_OF_ONE = 1024 * 1024  # bytes of memory for what one socket may show when its transcript is final
HELD = 64 * 1024 * 1024  # and for all of them; what comes on top stays starred
SHOWN = 65536  # bytes of one direction of a connection that may be shown; a transcript keeps no more
PIECE = 256  # bytes of memory that a piece takes beside its payload
CATCH_UP = 5.0  # seconds to wait for the packets of a visit, all of which the kernel has already


@dataclass(frozen=True, slots=True)
class _Piece:
    """A payload that was starred, and could be shown.

    Attributes:
        at: Where its packet begins in the file.
        place: Where in the stream it is, None for a datagram.
    """

    at: int
    length: int
    way: str
    place: int | None
    payload: bytes
    checksum: bytes


class Capture:
    """A capture that is running; a thread of its own reads the packets. Use `opened()`."""

    def __init__(self, path: Path, networks: Iterable[str], named: int | None) -> None:
        self.path = path
        self.dropped = self.left_out = 0
        self.fault: str | None = None
        self.flows = Flows()
        self._held = 0
        self._lock = threading.Lock()
        self._asked: deque[tuple[float, Future[None]]] = deque()
        self._stopped: float | None = None
        self._sock = packet_socket.opened(networks)
        with contextlib.ExitStack() as undo:
            undo.callback(self._sock.close)
            self._file, self._count, self._at = (
                pcap_file.new(path) if named is None else pcap_file.left(path, named)
            )
            undo.pop_all()
        self._whole = (self._at, self._count)  # bytes and packets that are surely in the file
        self._out = os.fdopen(os.dup(self._file), "wb")
        self._wake, self._woken = socket.socketpair()
        self._woken.setblocking(False)
        self._wake.setblocking(False)
        self._writer = pcap_file.writer(self._out, LARGEST)
        if not self._at:
            self._writer.write_header(None)
            self._whole = (FILE_HEADER, 0)
            self._at = FILE_HEADER
        self._out.flush()
        self._thread = threading.Thread(target=self._run, name="capture", daemon=True)
        self._thread.start()

    # ---- what the scan says to it

    async def caught_up(self) -> None:
        """Return when every packet that the kernel has seen until now is in the file."""
        done: Future[None] = Future()
        self._asked.append((time.time(), done))
        self._nudge()
        if not self._thread.is_alive():
            self._answer(None)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(asyncio.wrap_future(done), CATCH_UP)

    def show(self, flow: Flow) -> None:
        """Put into the payloads what the transcript keeps of them."""
        said = _said(flow.recorder) if flow.recorder else {SENT: [], RECEIVED: []}
        with self._lock, self._failing():
            if self.fault is None:
                self._out.flush()
            for piece in flow.held if self.fault is None else ():
                parts = said[piece.way]
                if piece.place is None:  # a datagram is kept as a whole, whichever of the tries it is
                    same = [(0, data) for _, length, data in parts if length == len(piece.payload)]
                else:
                    same = [(place, data) for place, _, data in parts]
                kept = frames.kept(piece.payload, piece.place or 0, same)
                if kept.count(frames.STAR) < len(kept):
                    self._rewrite(piece, kept)

    def release(self, flow: Flow) -> None:
        """Hold the payloads of a flow no longer; what was not shown stays starred."""
        with self._lock:
            self._held -= flow.held_size
            flow.held.clear()
            flow.held_size = 0
            flow.released = True

    def settle(self) -> None:
        """Have what was written on the disk, where a loss of power leaves it."""
        try:
            os.fdatasync(self._file)
        except OSError:
            with self._lock, self._failing():
                raise

    def finish(self) -> Captured:
        """Stop, and say what the file holds. Twice is harmless."""
        self._stop()
        digest, at = hashlib.sha256(), 0
        while block := os.pread(self._file, 1 << 20, at):
            digest.update(block)
            at += len(block)
        return Captured(
            file=self.path.name,
            size=at,
            sha256=digest.hexdigest(),
            packets=self._count,
            lost=self.dropped + self.left_out,
        )

    @property
    def notices(self) -> tuple[str, ...]:
        """What a reader of the file must know, once it is finished."""
        said = []
        if self.dropped:
            said.append(f"the kernel dropped {self.dropped} packets before they could be captured")
        if self.left_out:
            said.append(
                f"{self.left_out} packets were not captured: they came after the first {OF_ONE >> 20} MiB of a socket"
            )
        if self.fault:
            said.append(f"the capture ended early: {self.fault}")
        return tuple(said)

    def close(self) -> None:
        """Stop, and close the file. Twice is harmless."""
        if self._file >= 0:
            self._stop()
            self._out.close()
            os.close(self._file)
            self._file = -1
            self._wake.close()
            self._woken.close()

    @property
    def count(self) -> int:
        """How many packets are in the file."""
        return self._count

    def _stop(self) -> None:
        if self._stopped is None:
            self._stopped = time.time()
            self._nudge()
            self._thread.join()
            self._sock.close()

    def _nudge(self) -> None:
        with contextlib.suppress(BlockingIOError):  # then it is awake anyway
            self._wake.send(b"\0")

    # ---- the thread

    def _run(self) -> None:
        waiting = select.poll()
        for sock in (self._sock, self._woken):
            waiting.register(sock, select.POLLIN)
        try:
            with self._failing():
                while self._stopped is None and self.fault is None:
                    waiting.poll()
                    with contextlib.suppress(BlockingIOError):
                        self._woken.recv(4096)
                    self._drain()
                self._drain()  # what came between the last look and the stop
        finally:
            self.dropped = packet_socket.dropped(self._sock)
            self._answer(None)

    def _drain(self) -> None:
        """Take packets until the kernel has no more, or only such as came after the stop."""
        while self.fault is None:
            asked = len(self._asked)
            try:
                packet, extra, _, place = self._sock.recvmsg(LARGEST, packet_socket.EXTRA)
            except BlockingIOError:
                self._flush()
                self._answer(asked)
                return
            stamp = packet_socket.seen_at(extra)
            if self._stopped is not None and stamp > self._stopped:
                self._flush()
                return
            while asked and self._asked[0][0] < stamp:
                self._answer(1)
                asked -= 1
            self._take(packet, stamp, place)

    def _flush(self) -> None:
        with self._lock:
            if self.fault is not None:
                return
            self._out.flush()
            self._whole = (self._at, self._count)

    def _answer(self, count: int | None) -> None:
        """Tell the first of those who wait, or all of them, that they need to wait no longer."""
        while self._asked and count != 0:
            _, done = self._asked.popleft()
            if done.set_running_or_notify_cancel():
                done.set_result(None)
            count = None if count is None else count - 1

    def _take(self, packet: bytes, stamp: float, place: tuple[Any, ...]) -> None:
        interface, protocol, kind, hardware, address = place
        frame = frames.read(packet)
        owner = self.flows.owner(frame, (interface, kind), stamp) if frame else None
        if frame is None or owner is None:
            return
        flow, way = owner
        link = struct.pack("!HHH8sH", kind, hardware, len(address), address[:8], protocol)
        written = frames.starred(packet, frame)
        seconds, part = divmod(round(stamp * 1_000_000), 1_000_000)
        with self._lock:
            if flow.size + len(written) > OF_ONE:
                self.left_out += 1
            elif self.fault is None:
                self._writer.write_packet(link + written, sec=seconds, usec=part)
                at = self._at + RECORD_HEADER + LINK_HEADER
                self._at = at + len(written)
                self._count += 1
                flow.packets.append(self._count)
                flow.size += RECORD_HEADER + LINK_HEADER + len(written)
                self._hold(flow, way, frame, packet, at)

    def _hold(self, flow: Flow, way: str, frame: Frame, packet: bytes, at: int) -> None:
        """Keep the payload in memory until it is known what of it may be shown."""
        place = None
        if frame.protocol == frames.TCP:
            if frame.flags & frames.SYN:
                flow.first[way] = frame.sequence + 1
            place = (frame.sequence - flow.first[way]) % (1 << 32) if way in flow.first else SHOWN
        size = frame.end - frame.payload
        if not size or way == TOLD or not frame.whole or flow.released:
            return
        cost = size + PIECE
        if (place or 0) + size > SHOWN or flow.held_size + cost > HELD_OF_ONE or self._held + cost > HELD:
            return
        flow.held_size += cost
        self._held += cost
        payload = packet[frame.payload : frame.end]
        checksum = packet[frame.checksum_at : frame.checksum_at + 2]
        flow.held.append(_Piece(at, frame.end, way, place, payload, checksum))

    def _rewrite(self, piece: _Piece, kept: bytes) -> None:
        packet = os.pread(self._file, piece.length, piece.at)
        frame = frames.read(packet)
        if frame is not None:
            own = piece.checksum if kept == piece.payload else None
            os.pwrite(self._file, frames.replaced(packet, frame, kept, own), piece.at)

    @contextlib.contextmanager
    def _failing(self) -> Iterator[None]:
        """A full disk ends the capture, not the scan; so does a bug here. What was written stays a whole file."""
        try:
            yield
        except Exception as exc:
            self.fault = str(exc.strerror) if isinstance(exc, OSError) else type(exc).__name__
            if not isinstance(exc, OSError):
                log.exception("capture")
            at, self._count = self._whole
            self._out.raw.close()  # and with it what the disk did not take
            os.ftruncate(self._file, at)


@contextlib.contextmanager
def opened(path: Path, networks: Iterable[str], named: int | None = None) -> Iterator[Capture]:
    """Capture until the block ends. A file in which nothing was written does not outlive an error.

    Args:
        path: A new file; only its owner may read it.
        networks: Where the devices are, as CIDR text.
        named: Of a scan that goes on: the highest packet number that it has named so far, 0 for none. Its file is
            added to.

    Raises:
        UsageError: This process may not capture, or the file cannot be made, or is not the one that the scan left.
            Nothing was sent.
    """
    capture = Capture(path, networks, named)
    try:
        yield capture
    except BaseException:
        capture.close()
        if not capture.count:
            path.unlink(missing_ok=True)
        raise
    finally:
        capture.close()


def _said(recorder: Recorder) -> dict[str, list[tuple[int, int, bytes]]]:
    """The pieces of a transcript by direction: place in the stream, length, and what is kept."""
    said: dict[str, list[tuple[int, int, bytes]]] = {SENT: [], RECEIVED: []}
    for exchange in recorder.exchanges:
        pieces = said[exchange.direction]
        place = pieces[-1][0] + pieces[-1][1] if pieces else 0
        pieces.append((place, exchange.length, bytes.fromhex(exchange.hex)))
    return said
