"""Captures the packets of one scan, and of nothing else, into a pcap file that holds no secret at any moment.

Whose a packet is: Link tells of each socket that it opens; a packet is the scan's where its protocol, both ports and the
device's address are those of such a socket, or where it is an ICMP error that quotes one. The kernel shows some packets
twice (on loopback going out and coming in; on a bridge and on its port), so each direction of a socket is taken from the
place where it was met first.

What stays of it: the headers in full, up to where the transport's payload begins. A payload is written as stars. When
the visit of a device is over, those of its bytes appear that the transcript of the same exchange holds too, at the same
place: communities, digests, job names and pages are starred there already, and what no transcript keeps (the second
opinion's connections, fragments, what an ICMP error quotes beyond the ports, all that flows inside TLS) stays starred.
Where a payload is not the one that was on the wire, its checksum is computed anew over the stars: the old one would
confirm a guess.

The link type is "Linux cooked capture", which holds for every interface: a scan may leave by several.
Source: the pcap file format, and LINKTYPE_LINUX_SLL, of the tcpdump group's list of link-layer header types.
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
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from hardenprobe import frames, packet_filter
from hardenprobe.errors import UsageError
from hardenprobe.frames import Frame
from hardenprobe.records import Captured, Endpoint, Observation
from hardenprobe.transcript import Recorder

log = logging.getLogger("hardenprobe.capture")

LINK_TYPE = 113  # LINKTYPE_LINUX_SLL
FILE_HEADER, RECORD_HEADER, LINK_HEADER = 24, 16, 16  # bytes
KERNEL_BUFFER = 32 * 1024 * 1024  # bytes that the kernel may hold for us: some 40,000 small packets
LARGEST = 1 << 18  # bytes of one packet; segmentation offload hands over more than the network's 1500
HELD_OF_ONE = 65536  # bytes of one direction of a socket that are held until its transcript is final
HELD = 64 * 1024 * 1024  # bytes that are held in all; what comes on top stays starred
LINGER = 1.0  # seconds for which packets of a socket may still come after it was closed
FORGET = 10.0  # seconds after which this process has surely read them
CATCH_UP = (
    5.0  # seconds to wait for the packets of a visit; they have been in the kernel's hands all the time
)
_EVERY_PROTOCOL, _SOL_PACKET, _STATISTICS = 3, 263, 6  # ETH_P_ALL, SOL_PACKET, PACKET_STATISTICS of Linux
_TIMESTAMP, _BUFFER_FORCE = 29, 33  # SO_TIMESTAMP, SO_RCVBUFFORCE of asm-generic/socket.h
_SENT, _RECEIVED, _TOLD = "sent", "received", "told"
_PROTOCOLS = {"tcp": frames.TCP, "udp": frames.UDP}

Key = tuple[int, bytes, int | None, int]
"""Protocol, the device's address and port (None for any), and our port."""


@dataclass(frozen=True, slots=True)
class _Piece:
    """A payload that was starred, and could be shown.

    Attributes:
        at: Where its packet begins in the file.
        place: Where in the stream it stands, None for a datagram.
    """

    at: int
    length: int
    way: str
    place: int | None
    payload: bytes
    checksum: bytes


@dataclass(eq=False, slots=True, kw_only=True)
class Flow:
    """The packets of one socket.

    Attributes:
        port: As assigned, without a lab's offset.
        recorder: Keeps the transcript of the same exchange.
        packets: Their numbers.
        places: Interface and kind of packet, for each direction, where it is taken.
        first: Sequence number of the first byte, by direction.
        spoken_for: An observation names it.
    """

    key: Key
    transport: str
    port: int
    recorder: Recorder
    packets: list[int] = field(default_factory=list)
    places: dict[str, tuple[str, int]] = field(default_factory=dict)
    first: dict[str, int] = field(default_factory=dict)
    pieces: list[_Piece] = field(default_factory=list)
    ended: float | None = None
    spoken_for: bool = False
    released: bool = False


class Capture:
    """A capture that is running; a thread of its own reads the packets. Use `opened()`."""

    def __init__(self, path: Path, networks: Iterable[str]) -> None:
        self.path = path
        self.lost = 0
        self.fault: str | None = None
        self._flows: dict[Key, Flow] = {}
        self._ended: deque[Flow] = deque()
        self._fragments: dict[tuple[bytes, bytes, int, int], tuple[Flow, str]] = {}
        self._count = self._held = 0
        self._at = FILE_HEADER
        self._whole = (FILE_HEADER, 0)  # bytes and packets that are surely on the disk
        self._lock = threading.Lock()
        self._asked: deque[tuple[float, Future[None]]] = deque()
        self._stopped: float | None = None
        self._sock = _packet_socket(networks)
        with contextlib.ExitStack() as undo:
            undo.callback(self._sock.close)
            self._out = _new_file(path)
            undo.pop_all()
        self._wake, self._woken = socket.socketpair()
        self._woken.setblocking(False)
        self._wake.setblocking(False)
        from hardenprobe.probes import packets

        self._writer = packets.pcap_writer(self._out, LINK_TYPE, LARGEST)
        self._out.flush()
        self._thread = threading.Thread(target=self._run, name="capture", daemon=True)
        self._thread.start()

    # ---- what the scan says to it

    def begin(self, flow: Flow) -> None:
        """From now on the packets of this socket are the scan's."""
        while self._ended and (self._ended[0].ended or 0) + FORGET < time.time():
            old = self._ended.popleft()
            if self._flows.get(old.key) is old:
                del self._flows[old.key]
        self._flows[flow.key] = flow

    def end(self, flow: Flow) -> None:
        """The socket is closed."""
        if flow.ended is None:
            flow.ended = time.time()
            self._ended.append(flow)

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
        said = _said(flow.recorder)
        with self._lock, self._failing():
            for piece in flow.pieces if self.fault is None else ():
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
            self._held -= sum(len(piece.payload) for piece in flow.pieces)
            flow.pieces.clear()
            flow.released = True

    def finish(self) -> Captured:
        """Stop, and say what the file holds. Twice is harmless."""
        self._stop()
        digest, at = hashlib.sha256(), 0
        while block := os.pread(self._out.fileno(), 1 << 20, at):
            digest.update(block)
            at += len(block)
        return Captured(file=self.path.name, sha256=digest.hexdigest(), packets=self._count, lost=self.lost)

    @property
    def notices(self) -> tuple[str, ...]:
        """What a reader of the file must know, once it is finished."""
        said = []
        if self.lost:
            said.append(f"the kernel dropped {self.lost} packets before they could be captured")
        if self.fault:
            said.append(f"the capture ended early: {self.fault}")
        return tuple(said)

    def close(self) -> None:
        """Stop, and close the file, which is whole at every moment."""
        self._stop()
        with contextlib.suppress(OSError):  # what a full disk did not take
            self._out.close()
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
        try:
            with self._failing():
                while self._stopped is None and self.fault is None:
                    select.select([self._sock, self._woken], [], [])
                    with contextlib.suppress(BlockingIOError):
                        self._woken.recv(4096)
                    self._drain()
        finally:
            self.lost = struct.unpack("II", self._sock.getsockopt(_SOL_PACKET, _STATISTICS, 8))[1]
            self._answer(None)

    def _drain(self) -> None:
        """Take packets until the kernel has no more, or only such as came after the stop."""
        try:
            while True:
                asked = len(self._asked)
                try:
                    packet, extra, _, place = self._sock.recvmsg(LARGEST, 64)
                except BlockingIOError:
                    self._answer(asked)
                    return
                stamp = _stamp(extra)
                if self._stopped is not None and stamp > self._stopped:
                    return
                while asked and self._asked[0][0] < stamp:
                    self._answer(1)
                    asked -= 1
                self._take(packet, stamp, place)
        finally:
            with self._lock:
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
        frame = frames.read(packet)
        owner = self._owner(frame) if frame is not None else None
        if frame is None or owner is None:
            return
        flow, way = owner
        interface, protocol, kind, hardware, address = place
        if flow.places.setdefault(way, (interface, kind)) != (interface, kind) or _late(
            flow, frame, way, stamp
        ):
            return
        link = struct.pack("!HHH8sH", kind, hardware, len(address), address[:8], protocol)
        written = frames.starred(packet, frame)
        with self._lock:
            self._count += 1
            flow.packets.append(self._count)
            at = self._at + RECORD_HEADER + LINK_HEADER
            seconds, part = divmod(round(stamp * 1_000_000), 1_000_000)
            self._writer.write_packet(link + written, sec=seconds, usec=part)
            self._at = at + len(written)
            self._hold(flow, way, frame, packet, at)
        if frame.more:
            while (
                len(self._fragments) >= 256
            ):  # datagrams in pieces at one time; a flood must not fill memory
                del self._fragments[next(iter(self._fragments))]
            self._fragments[frame.source, frame.target, frame.protocol, frame.ident] = owner

    def _owner(self, frame: Frame) -> tuple[Flow, str] | None:
        """Whose packet it is, and which way it goes."""
        if frame.offset:
            return self._fragments.get((frame.source, frame.target, frame.protocol, frame.ident))
        inner = frame.quoted or frame
        flow = self._find(inner.protocol, inner.target, inner.target_port, inner.source_port)
        if flow is not None:
            return flow, _TOLD if frame.quoted else _SENT
        flow = self._find(frame.protocol, frame.source, frame.source_port, frame.target_port)
        return (flow, _RECEIVED) if flow is not None else None

    def _find(self, protocol: int, address: bytes, port: int, ours: int) -> Flow | None:
        return self._flows.get((protocol, address, port, ours)) or self._flows.get(
            (protocol, address, None, ours)
        )

    def _hold(self, flow: Flow, way: str, frame: Frame, packet: bytes, at: int) -> None:
        """Keep the payload in memory until it is known what of it may be shown."""
        place = None
        if frame.protocol == frames.TCP:
            if frame.flags & frames.SYN:
                flow.first[way] = frame.sequence + 1
            place = (frame.sequence - flow.first[way]) % (1 << 32) if way in flow.first else HELD_OF_ONE
        size = frame.end - frame.payload
        if not size or way == _TOLD or not frame.whole or flow.released:
            return
        if (place or 0) + size > HELD_OF_ONE or self._held + size > HELD:
            return
        self._held += size
        payload, checksum = (
            packet[frame.payload : frame.end],
            packet[frame.checksum_at : frame.checksum_at + 2],
        )
        flow.pieces.append(_Piece(at, frame.end, way, place, payload, checksum))

    def _rewrite(self, piece: _Piece, kept: bytes) -> None:
        self._out.flush()
        packet = os.pread(self._out.fileno(), piece.length, piece.at)
        frame = frames.read(packet)
        if frame is not None:
            own = piece.checksum if kept == piece.payload else None
            os.pwrite(self._out.fileno(), frames.replaced(packet, frame, kept, own), piece.at)

    @contextlib.contextmanager
    def _failing(self) -> Iterator[None]:
        """A full disk ends the capture, not the scan; so does a bug of ours. What was written stays a whole file."""
        try:
            yield
        except Exception as exc:
            self.fault = str(exc.strerror) if isinstance(exc, OSError) else type(exc).__name__
            if not isinstance(exc, OSError):
                log.exception("capture")
            at, self._count = self._whole
            with contextlib.suppress(OSError):
                os.ftruncate(self._out.fileno(), at)


class Tap:
    """What Link tells of the sockets of one visit, and what the visit's observations learn of their packets."""

    def __init__(self, capture: Capture) -> None:
        self._capture = capture
        self._flows: list[Flow] = []
        self._proof: dict[str, list[Flow]] = {}

    def begin(
        self,
        recorder: Recorder,
        transport: str,
        port: int,
        there: tuple[str, int],
        ours: int,
        any_port: bool = False,
    ) -> None:
        """A socket is about to speak.

        Args:
            port: As assigned.
            there: Where it speaks to.
            ours: Its own port.
            any_port: An answer may come from another port.
        """
        address = ip_address(there[0].partition("%")[0]).packed
        key = (_PROTOCOLS[transport], address, None if any_port else there[1], ours)
        flow = Flow(key=key, transport=transport, port=port, recorder=recorder)
        self._flows.append(flow)
        self._capture.begin(flow)

    def end(self) -> None:
        """The socket that spoke last is closed. Twice is harmless."""
        if self._flows:
            self._capture.end(self._flows[-1])

    def proves(self, observation: str, endpoint: Endpoint | None, recorders: Sequence[Recorder]) -> None:
        """Write down which sockets an observation rests on.

        One without a transcript, of a port that refuses say, rests on what went to its endpoint and proves nothing else.
        """
        if recorders:
            mine = [flow for flow in self._flows if any(flow.recorder is one for one in recorders)]
        else:
            where = (endpoint.transport, endpoint.port) if endpoint else None
            mine = [f for f in self._flows if (f.transport, f.port) == where and not f.spoken_for]
        for flow in mine:
            flow.spoken_for = True
        self._proof[observation] = mine

    async def numbered(self, seen: Iterable[Observation[Any]]) -> list[Observation[Any]]:
        """The visit is over: show what may be shown, and name in each observation the packets that prove it."""
        await self._capture.caught_up()
        for flow in self._flows:
            if flow.spoken_for:
                self._capture.show(flow)
            self._capture.release(flow)
        return [replace(one, packets=ranges(self._numbers(one.id))) for one in seen]

    def _numbers(self, observation: str) -> Iterable[int]:
        written = self._capture.count
        return (n for flow in self._proof.get(observation, ()) for n in flow.packets if n <= written)


@contextlib.contextmanager
def opened(path: Path, networks: Iterable[str]) -> Iterator[Capture]:
    """Capture until the block ends. A file in which nothing was written does not outlive an error.

    Args:
        path: A new file; only its owner may read it.
        networks: Where the devices are, as CIDR text.

    Raises:
        UsageError: This process may not capture, or the file cannot be made. Nothing was sent.
    """
    capture = Capture(path, networks)
    try:
        yield capture
    except BaseException:
        capture.close()
        if not capture.count:
            path.unlink(missing_ok=True)
        raise
    finally:
        capture.close()


def ranges(numbers: Iterable[int]) -> tuple[tuple[int, int], ...]:
    """Write numbers as runs, first and last of each.

    >>> ranges([7, 3, 4, 5])
    ((3, 5), (7, 7))
    """
    runs: list[tuple[int, int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    return tuple(runs)


def _said(recorder: Recorder) -> dict[str, list[tuple[int, int, bytes]]]:
    """The pieces of a transcript by direction: place in the stream, length, and what is kept."""
    said: dict[str, list[tuple[int, int, bytes]]] = {_SENT: [], _RECEIVED: []}
    for exchange in recorder.exchanges:
        pieces = said[exchange.direction]
        place = pieces[-1][0] + pieces[-1][1] if pieces else 0
        pieces.append((place, exchange.length, bytes.fromhex(exchange.hex)))
    return said


def _late(flow: Flow, frame: Frame, way: str, stamp: float) -> bool:
    """Tell whether the socket was closed when the packet came, so that its port may be another process's by now."""
    if flow.ended is None or stamp <= flow.ended:
        return False
    fresh = frame.protocol == frames.UDP or bool(frame.flags & frames.SYN)
    return stamp > flow.ended + LINGER or (way == _SENT and fresh)


def _stamp(extra: list[tuple[int, int, bytes]]) -> float:
    """When the kernel saw a packet: seconds since 1970."""
    for level, kind, data in extra:
        if (level, kind) == (socket.SOL_SOCKET, _TIMESTAMP):
            seconds, part = struct.unpack("ll", data[: struct.calcsize("ll")])
            return float(seconds + part / 1_000_000)
    return time.time()


def _packet_socket(networks: Iterable[str]) -> socket.socket:
    if not hasattr(socket, "AF_PACKET"):
        raise UsageError("--capture works on Linux only; leave it out")
    try:
        sock = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM, socket.htons(_EVERY_PROTOCOL))
    except PermissionError as exc:
        raise UsageError(
            "--capture needs the right to read packets (CAP_NET_RAW), which this process has not; start it as root, "
            "or leave --capture out"
        ) from exc
    except OSError as exc:
        raise UsageError(f"--capture cannot read packets here: {exc.strerror}; leave it out") from exc
    sock.setblocking(False)
    sock.setsockopt(socket.SOL_SOCKET, _TIMESTAMP, 1)
    try:
        sock.setsockopt(socket.SOL_SOCKET, _BUFFER_FORCE, KERNEL_BUFFER)
    except PermissionError:  # without CAP_NET_ADMIN the system's own limit holds
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, KERNEL_BUFFER)
    packet_filter.attach(sock, networks)
    return sock


def _new_file(path: Path) -> Any:
    try:
        number = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    except FileExistsError as exc:
        raise UsageError(f"--capture {path} is there already; name a new file") from exc
    except OSError as exc:
        raise UsageError(f"--capture {path}: {exc.strerror}") from exc
    return os.fdopen(number, "wb")
