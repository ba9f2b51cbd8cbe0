"""A capture of real sockets on loopback: whose packets it holds, what stays of them, and what becomes of a full disk."""

from __future__ import annotations

import asyncio
import hashlib
import resource
import socket
import stat
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.errors import Unreachable, UsageError
from hardenprobe.facts import TcpPort
from hardenprobe.model import Observation, State
from hardenprobe.model.transcript import Recorder
from hardenprobe.network.capture import capture, frames, packet_socket, pcap_file
from hardenprobe.network.capture.capture import Capture
from hardenprobe.network.capture.flows import RECEIVED, Flow
from hardenprobe.network.capture.socket_tap import Tap
from hardenprobe.network.link import DeviceLink
from hardenprobe.scope.limits import Timing

HERE = "127.0.0.63"
QUICK = Timing(connect=1.0, greeting=0.2, reply=0.4, pause=0.0)
SECRET = b"canary-in-a-mine"


class Permit:
    def check(self, address: str) -> None:
        assert address == HERE


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Where to capture to; a process without the right is tested elsewhere."""
    try:
        packet_socket.opened([]).close()
    except UsageError as exc:
        pytest.skip(str(exc))
    return tmp_path / "scan.pcap"


@pytest.fixture
def running(file: Path) -> Iterator[Capture]:
    with capture.opened(file, [f"{HERE}/32"]) as tap:
        yield tap


def read(file: Path) -> list[tuple[frames.Frame, bytes]]:
    """Every packet of a file with its payload, and each checksum that stars made is right."""
    from hardenprobe.probes import packets

    packets._layers()
    utils = pytest.importorskip("scapy.utils")
    found = []
    with utils.RawPcapReader(str(file)) as reader:
        assert reader.linktype == pcap_file.LINK_TYPE
        for data, _ in reader:
            frame = frames.read(data[pcap_file.LINK_HEADER :])
            assert frame is not None and len(data) == pcap_file.LINK_HEADER + frame.end
            packet = data[pcap_file.LINK_HEADER :]
            if b"*" in packet[frame.payload :]:
                assert frames.replaced(packet, frame, packet[frame.payload :]) == packet
            found.append((frame, packet[frame.payload :]))
    return found


def numbers(seen: Observation[Any]) -> list[int]:
    return [n for first, last in seen.packets for n in range(first, last + 1)]


async def serve(
    answer: Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]],
) -> tuple[asyncio.Server, int]:
    server = await asyncio.start_server(answer, HERE, 0)
    return server, server.sockets[0].getsockname()[1]


async def echo(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    try:
        while data := await reader.read(65536):
            writer.write(b"you said " + data)
    except ConnectionError:
        pass
    finally:
        writer.close()


def line(running: Capture, **more: Any) -> DeviceLink:
    return DeviceLink(address=HERE, permit=Permit(), timing=QUICK, tap=Tap(running), **more)


ACCEPTING = TcpPort(state=State.ACCEPTING)


def test_what_the_transcript_keeps_is_shown_and_a_secret_is_not(file: Path, running: Capture) -> None:
    async def scan() -> tuple[Observation[Any], list[int]]:
        server, port = await serve(echo)
        async with server:
            mine = line(running, may_speak={port: frozenset({"echo"})})
            loop = asyncio.get_running_loop()
            with socket.socket() as other:  # somebody else, who talks to the same device
                other.setblocking(False)
                await loop.sock_connect(other, (HERE, port))
                async with await mine.connect(port) as stream:
                    stream.recorder.mask(SECRET)
                    await stream.send(b"hello " + SECRET, "echo")
                    await loop.sock_sendall(other, b"somebody else's")
                    await stream.receive()
                    seen = mine.observation(ACCEPTING, mine.endpoint(port), stream.recorder)
                async with await mine.connect(port) as stream:  # its observation comes into no review
                    await stream.send(b"forgotten", "echo")
                    await stream.receive()
                    mine.observation(ACCEPTING, mine.endpoint(port), stream.recorder)
                ports = [other.getsockname()[1]]
            assert mine.tap is not None
            (seen,) = await mine.tap.numbered([seen])
            return seen, ports

    seen, others = asyncio.run(scan())
    said = running.finish()
    packets = read(file)
    payloads = [payload for _, payload in packets if payload]
    stars = b"*" * len(SECRET)
    assert payloads == [b"hello " + stars, b"you said hello " + stars, b"*" * 9, b"*" * 18]
    assert not {f.source_port for f, _ in packets} & set(others), "each packet is the scan's"
    assert SECRET not in file.read_bytes() and b"somebody" not in file.read_bytes()
    ours = packets[0][0].source_port
    assert numbers(seen) == [
        n for n, (f, _) in enumerate(packets, 1) if ours in (f.source_port, f.target_port)
    ]
    syns = [f for f, _ in packets if f.flags & frames.SYN and f.target_port == packets[0][0].target_port]
    assert len(syns) == 2, "loopback shows each packet twice, and one is kept"
    resets = [f for f, _ in packets if f.flags & 0x04 and f.source_port == ours]
    assert len(resets) == 1, "the end of the connection is there as well"
    assert said.packets == len(packets) and said.lost == 0 and running.notices == ()
    assert said.file == "scan.pcap" and said.sha256 == hashlib.sha256(file.read_bytes()).hexdigest()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_a_stream_is_shown_wherever_its_packets_were_cut(file: Path, running: Capture) -> None:
    text = bytes(range(43, 127)) * 100  # several pieces of transcript, of which the ends are not kept

    async def speak(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        for at in range(0, len(text), 1000):
            writer.write(text[at : at + 1000])
            await writer.drain()
        writer.close()

    async def scan() -> Observation[Any]:
        server, port = await serve(speak)
        async with server:
            mine = line(running)
            async with await mine.connect(port) as stream:
                for limit in (700, 2500, 5200):
                    left = limit
                    while left:
                        left -= len(await stream.receive(left))
                seen = mine.observation(ACCEPTING, None, stream.recorder)
            assert mine.tap is not None
            await mine.tap.numbered([seen])
            return seen

    seen = asyncio.run(scan())
    running.finish()
    shown = bytearray(b"*" * len(text))
    at = 0
    for exchange in seen.transcript:
        kept = bytes.fromhex(exchange.hex)
        shown[at : at + len(kept)] = kept
        at += exchange.length
    came = [(f, p) for f, p in read(file) if p]
    first = min(f.sequence for f, _ in came)
    for frame, payload in came:
        place = frame.sequence - first
        assert payload == shown[place : place + len(payload)]


def test_refusals_and_answers_from_another_port_are_named(file: Path, running: Capture) -> None:
    async def scan() -> list[Observation[Any]]:
        mine = line(running)
        loop = asyncio.get_running_loop()
        with socket.socket() as taken:
            taken.bind((HERE, 0))  # bound, and not listening: refuses
            port = taken.getsockname()[1]
            with pytest.raises(Unreachable):
                await mine.connect(port)
            refused = mine.observation(TcpPort(state=State.REFUSING), mine.endpoint(port))
        with socket.socket(type=socket.SOCK_DGRAM) as gone:
            gone.bind((HERE, 0))
            port = gone.getsockname()[1]
        answer = await mine.ask(port, b"is there anybody " + SECRET, secrets=[SECRET])
        assert answer.state == State.REFUSING
        told = mine.observation(ACCEPTING, mine.endpoint(port, "udp"), answer.recorder)
        with socket.socket(type=socket.SOCK_DGRAM) as known, socket.socket(type=socket.SOCK_DGRAM) as other:
            known.setblocking(False)
            known.bind((HERE, 0))
            other.bind((HERE, 0))

            async def reply() -> None:
                _, peer = await loop.sock_recvfrom(known, 100)
                other.sendto(b"from elsewhere", peer)

            replying = asyncio.create_task(reply())
            port = known.getsockname()[1]
            answer = await mine.ask(port, b"read it", any_port=True)
            await replying
        assert answer.data == b"from elsewhere"
        read_it = mine.observation(ACCEPTING, mine.endpoint(port, "udp"), answer.recorder)
        unasked = mine.observation(ACCEPTING, mine.endpoint(9, "udp"))
        assert mine.tap is not None
        return await mine.tap.numbered([refused, told, read_it, unasked])

    refused, told, read_it, unasked = asyncio.run(scan())
    running.finish()
    packets = read(file)
    assert [(p[0].flags & 0x16) for p in packets][:2] == [0x02, 0x14], "SYN, and RST with ACK"
    assert refused.packets == ((1, 2),)
    asked, icmp = packets[2], packets[3]
    assert told.packets == ((3, 4),) and icmp[0].quoted is not None
    assert asked[1] == b"is there anybody " + b"*" * len(SECRET)
    assert icmp[1] == b"*" * len(asked[1]), "what an error quotes is known from the question"
    assert read_it.packets == ((5, 6),)
    assert [p for _, p in packets[4:]] == [b"read it", b"from elsewhere"]
    assert unasked.packets == ()
    assert SECRET not in file.read_bytes()


def test_a_full_disk_ends_the_capture_and_leaves_a_whole_file(file: Path, running: Capture) -> None:
    async def scan() -> list[Observation[Any]]:
        server, port = await serve(echo)
        async with server:
            mine = line(running, may_speak={port: frozenset({"echo"})})
            seen = []
            for _ in range(40):
                async with await mine.connect(port) as stream:
                    await stream.send(b"x" * 500, "echo")
                    await stream.receive()
                    seen.append(mine.observation(ACCEPTING, None, stream.recorder))
            assert mine.tap is not None
            return await mine.tap.numbered(seen)

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, before[1]))
    try:
        seen = asyncio.run(scan())
        said = running.finish()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert running.notices == ("the capture ended early: File too large",)
    assert len(read(file)) == said.packets < 40 * 8
    assert max((n for one in seen for n in numbers(one)), default=0) <= said.packets
    assert len(seen) == 40, "the scan goes on"
    running.close()
    assert hashlib.sha256(file.read_bytes()).hexdigest() == said.sha256


def test_what_the_kernel_dropped_is_said(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(packet_socket, "KERNEL_BUFFER", 1)

    async def scan(running: Capture) -> None:
        mine = line(running)
        with socket.socket(type=socket.SOCK_DGRAM) as device:
            device.bind((HERE, 0))
            port = device.getsockname()[1]
            with running._lock:  # the thread that reads is held up
                await mine.ask(port, b"x" * 1000, tries=50, wait=0.001)

    with capture.opened(file, [f"{HERE}/32"]) as running:
        asyncio.run(scan(running))
        said = running.finish()
        assert said.packets + said.lost >= 50 and said.lost > 0
        assert running.notices == (f"the kernel dropped {said.lost} packets before they could be captured",)
    assert len(read(file)) == said.packets


def test_a_bug_of_ours_in_the_thread_is_said_and_holds_nobody_up(
    file: Path, running: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(packet: bytes) -> None:
        raise IndexError("beyond the end")

    monkeypatch.setattr(frames, "read", broken)

    async def scan() -> None:
        server, port = await serve(echo)
        async with server:
            mine = line(running)
            async with await mine.connect(port):
                pass
            assert mine.tap is not None
            async with asyncio.timeout(2):
                await mine.tap.numbered([])

    asyncio.run(scan())
    assert running.finish().packets == 0
    assert running.notices == ("the capture ended early: IndexError",)


def test_a_file_that_is_there_is_never_written_over(file: Path, tmp_path: Path) -> None:
    file.write_bytes(b"last month's")
    with pytest.raises(UsageError, match="is there already; name a new file"), capture.opened(file, []):
        pass
    assert file.read_bytes() == b"last month's"
    (tmp_path / "link").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(UsageError), capture.opened(tmp_path / "link", []):
        pass
    assert not (tmp_path / "elsewhere").exists()
    with pytest.raises(UsageError, match="No such file"), capture.opened(tmp_path / "no" / "c.pcap", []):
        pass


def test_an_empty_file_does_not_outlive_an_error_and_a_whole_one_does(file: Path) -> None:
    with pytest.raises(KeyError), capture.opened(file, []):
        raise KeyError
    assert not file.exists()
    with capture.opened(file, []) as running:
        running.finish()
    assert read(file) == []


def test_a_scan_that_goes_on_adds_to_its_file(file: Path) -> None:
    async def scan(running: Capture) -> Observation[Any]:
        server, port = await serve(echo)
        async with server:
            mine = line(running, may_speak={port: frozenset({"echo"})})
            async with await mine.connect(port) as stream:
                await stream.send(b"hello", "echo")
                await stream.receive()
                seen = mine.observation(ACCEPTING, mine.endpoint(port), stream.recorder)
            assert mine.tap is not None
            return (await mine.tap.numbered([seen]))[0]

    with capture.opened(file, [f"{HERE}/32"]) as running:
        before = asyncio.run(scan(running))
        first = running.finish()
    with file.open("ab") as torn:
        torn.write(file.read_bytes()[24:70])  # the process was killed in the middle of a packet
    with capture.opened(file, [f"{HERE}/32"], named=numbers(before)[-1]) as running:
        after = asyncio.run(scan(running))
        second = running.finish()
    packets = read(file)
    assert len(packets) == second.packets > first.packets == numbers(before)[-1]
    assert numbers(after)[0] == first.packets + 1
    whole = file.read_bytes()
    assert hashlib.sha256(whole[: first.size]).hexdigest() == first.sha256, "what was there stays as it was"
    assert (len(whole), hashlib.sha256(whole).hexdigest()) == (second.size, second.sha256)
    with pytest.raises(KeyError), capture.opened(file, [], named=0):
        raise KeyError
    assert file.read_bytes() == whole, "an error takes nothing away that was there"


def test_one_socket_cannot_fill_the_disk(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture, "OF_ONE", 20_000)

    async def scan(running: Capture) -> list[Observation[Any]]:
        mine, loop, seen = line(running), asyncio.get_running_loop(), []
        with socket.socket(type=socket.SOCK_DGRAM) as device:
            device.setblocking(False)
            device.bind((HERE, 0))

            async def flood() -> None:
                _, peer = await loop.sock_recvfrom(device, 100)
                for _ in range(200):
                    device.sendto(b"x" * 1000, peer)

            for _ in range(2):
                flooding = asyncio.create_task(flood())
                answer = await mine.ask(device.getsockname()[1], b"ask")
                await flooding
                seen.append(mine.observation(ACCEPTING, None, answer.recorder))
        assert mine.tap is not None
        return await mine.tap.numbered(seen)

    with capture.opened(file, [f"{HERE}/32"]) as running:
        seen = asyncio.run(scan(running))
        said = running.finish()
        (notice,) = running.notices
    assert notice.startswith(f"{said.lost} packets were not captured: they came after the first")
    assert said.lost > 100 and file.stat().st_size < 45_000
    assert all(10 < len(numbers(one)) < 25 for one in seen), "the next socket has its own share"


def test_what_is_held_is_bounded_however_small_the_packets(
    file: Path, running: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(capture, "HELD_OF_ONE", 10 * (capture.PIECE + 8))
    flow = Flow(key=(frames.UDP, b"", 1, 2), transport="udp", port=1, ours=None, recorder=Recorder())
    packet = (
        bytes.fromhex("4500002400000000401100007f00003f7f00003f")
        + bytes.fromhex("0001000200100000")
        + b"8" * 8
    )
    frame = frames.read(packet)
    assert frame is not None
    for _ in range(100):
        running._hold(flow, RECEIVED, frame, packet, 0)
    assert len(flow.held) == 10 and running._held == flow.held_size == 10 * (capture.PIECE + 8)
    running.release(flow)
    assert running._held == flow.held_size == 0
