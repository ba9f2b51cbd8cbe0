"""All devices in one event loop: a socket for every address and port, and nothing anywhere else.

No socket is bound to a wildcard, so an address or a port that nobody declared refuses by itself.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import hashlib
import resource
import socket
import sys
from collections import Counter
from collections.abc import Coroutine, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from hardenprobe.demo_lab.certificates import Authority
from hardenprobe.demo_lab.declarations import Virtual
from hardenprobe.demo_lab.service import IDLE, Answer, Host, Service, Talk
from hardenprobe.errors import UsageError

OFFSET = 20000  # added to every port where low ports need a privilege
HANDSHAKE = 10.0  # seconds
GOODBYE = 2.0  # seconds a client may take to close its side of TLS
SPARE_FILES = 512  # for clients, beside the sockets that listen
TLS_RECORD = 0x16  # RFC 8446 section 5.1: a handshake record, the first byte of a ClientHello

MOST_PREPARED = 200  # devices whose slow keys are made before they answer; a larger fleet must start at once
STEP = 977  # between offsets that are tried where another lab has the ports


class PortTaken(UsageError):
    """Something else listens on a port of the lab."""


_HELP = {
    errno.EADDRINUSE: "is in use already; stop what uses it, or choose another --port-offset",
    errno.EACCES: "needs a privilege on this machine; leave --port-offset out to let the lab choose",
    errno.EADDRNOTAVAIL: "is no address of this machine; give it to the loopback interface first",
}


class Lab:
    """The simulated devices.

    Attributes:
        connections: TCP connections accepted, by address.
        ports: The same by address and port, as assigned.
    """

    def __init__(self, devices: Iterable[Virtual], folder: Path, port_offset: int) -> None:
        authority = Authority(folder)
        self.ca_file = authority.file
        self.port_offset = port_offset
        self.hosts = [
            Host(
                device=device,
                port_offset=port_offset,
                engine_id=engine_id((device.lab and device.lab.engine) or device.listed.asset_tag),
                tls=authority.context,
            )
            for device in devices
        ]
        self.connections: Counter[str] = Counter()
        self.ports: Counter[str] = Counter()
        self._tasks: set[asyncio.Task[None]] = set()
        self._bound: list[tuple[Host, Service, str, socket.socket]] = []

    def bind(self, addresses: Sequence[str] | None = None) -> int:
        """Bind every declared port, and return how many sockets that took.

        Args:
            addresses: Only these, all by default.

        Raises:
            UsageError: Names the address and port that could not be had, or the limit on open files.
        """
        wanted = [
            (host, service, address, port)
            for host in self.hosts
            for address in host.device.listed.addresses
            if addresses is None or address in addresses
            for service in host.device.services
            for port in (service.port + self.port_offset, *service.beside)
        ]
        return self._bind(wanted)

    def bind_host(self, tag: str, addresses: Sequence[str]) -> int:
        """Bind every declared port of one device at these addresses; where namespaces are, at other times than the others'."""
        host = next(host for host in self.hosts if host.device.listed.asset_tag == tag)
        return self._bind(
            [
                (host, service, address, port)
                for address in addresses
                for service in host.device.services
                for port in (service.port + self.port_offset, *service.beside)
            ]
        )

    def _bind(self, wanted: Sequence[tuple[Host, Service, str, int]]) -> int:
        _allow_files(len(self._bound) + len(wanted))
        for host, service, address, port in wanted:
            if not 1 <= port <= 65535:
                raise UsageError(
                    f"port {service.port} and an offset of {self.port_offset} make {port}, which is no port"
                )
            if len(self.hosts) <= MOST_PREPARED:
                service.prepare(host)
            self._bound.append((host, service, address, _bind(address, service, port)))
        return len(wanted)

    async def serve(self, until: asyncio.Event) -> None:
        """Serve until the event is set, then close everything."""
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(_complain)
        transports = []
        try:
            for host, service, address, bound in self._bound:
                if service.transport == "tcp":
                    loop.add_reader(bound, self._accept, host, service, address, bound)
                else:
                    transports.append((await self._datagrams(host, service, bound))[0])
            await until.wait()
        finally:
            for _, service, _, bound in self._bound:
                if service.transport == "tcp":
                    loop.remove_reader(bound)
            for task in self._tasks:
                task.cancel()
            await asyncio.gather(*self._tasks, return_exceptions=True)
            for transport in transports:
                transport.close()
            self.close()

    @property
    def sockets(self) -> int:
        """How many ports are bound."""
        return len(self._bound)

    def close(self) -> None:
        for *_, bound in self._bound:
            bound.close()

    def counters(self) -> dict[str, dict[str, int]]:
        """Bytes that raw print ports received by asset tag, and connections by address, and by port."""
        raw = {
            host.device.listed.asset_tag: host.raw_bytes
            for host in self.hosts
            if any(service.speaks == "raw-print" for service in host.device.services)
        }
        return {"raw_print_bytes": raw, "connections": dict(self.connections), "ports": dict(self.ports)}

    def _spawn(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _accept(self, host: Host, service: Service, address: str, bound: socket.socket) -> None:
        """Called when a client waits; a task for each of thousands of ports would cost more than all their clients."""
        try:
            connection, peer = bound.accept()
        except (BlockingIOError, ConnectionError):  # it has left again
            return
        connection.setblocking(False)
        self.connections[address] += 1
        self.ports[f"{address} {service.port}"] += 1
        if host.device.refusal(service, peer[0]) == "close":
            connection.close()  # at once: a client that waits too long for the close takes it for silence
            return
        self._spawn(self._talk(host, service, connection, peer[0]))

    async def _talk(self, host: Host, service: Service, connection: socket.socket, source: str) -> None:
        refusal = host.device.refusal(service, source)
        try:
            encrypted = await _begins_with_tls(service, connection)
            reader, writer = await _streams(connection, host, encrypted)
        except (OSError, TimeoutError):  # a broken handshake is an OSError too
            connection.close()
            return
        talk = Talk(host=host, reader=reader, writer=writer, admitted=refusal is None, encrypted=encrypted)
        try:
            with contextlib.suppress(OSError, EOFError):
                await service.serve(talk)
        finally:
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()

    async def _datagrams(
        self, host: Host, service: Service, bound: socket.socket
    ) -> tuple[asyncio.DatagramTransport, asyncio.DatagramProtocol]:
        loop = asyncio.get_running_loop()
        return await loop.create_datagram_endpoint(lambda: _Datagrams(host, service), sock=bound)


class _Datagrams(asyncio.DatagramProtocol):
    """Answers from the very socket that was asked; where the protocol wants a new port, from the same address."""

    def __init__(self, host: Host, service: Service) -> None:
        self._host, self._service = host, service
        self._answer: Answer | None = None

    def connection_made(self, transport: Any) -> None:
        self._transport = transport

    def datagram_received(self, data: bytes, addr: tuple[str | Any, int]) -> None:
        if self._host.device.refusal(self._service, addr[0]):
            return
        if self._answer is None:
            self._answer = self._service.answerer(self._host)
        if (answer := self._answer(data)) is None:
            return
        if self._service.answers_from_new_port:
            host = self._transport.get_extra_info("sockname")[0]
            with _socket(host, self._service) as fresh:
                fresh.bind((host, 0))
                fresh.sendto(answer, addr)
        else:
            for _ in range(self._service.copies):
                self._transport.sendto(answer, addr)


def engine_id(name: str) -> bytes:
    """An SNMP engine id of enterprise 32473, in the format for octets of one's own (RFC 3411 section 5)."""
    return bytes.fromhex("80007ed905") + hashlib.sha256(f"engine {name}".encode()).digest()[:12]


def offsets(devices: Sequence[Virtual]) -> Iterator[int]:
    """Offsets to try in turn: that of `choose_offset`, then further ones that leave every port a port."""
    first = choose_offset(devices)
    highest = max((service.port for device in devices for service in device.services), default=0)
    yield first
    yield from (one for one in range(OFFSET, 65536 - highest, STEP) if one != first)


def start(
    devices: Sequence[Virtual], folder: Path, offset: int | None, addresses: Sequence[str] | None = None
) -> Lab:
    """Make a lab and bind its ports.

    Args:
        offset: None for the first at which no other lab is in the way.
        addresses: Only these, all by default.

    Raises:
        PortTaken: Something else listens on a port, at every offset that may be used.
        UsageError: As for `Lab.bind`.
    """
    taken: PortTaken | None = None
    for one in offsets(devices) if offset is None else (offset,):
        lab = Lab(devices, folder, one)
        try:
            lab.bind(addresses)
        except PortTaken as exc:
            lab.close()
            taken = exc
        except UsageError:
            lab.close()
            raise
        else:
            return lab
    assert taken is not None
    raise taken


def choose_offset(devices: Iterable[Virtual]) -> int:
    """Zero where this process may bind the lowest declared port, OFFSET where it may not."""
    wanted = [(s.port, d.listed.addresses[0], s) for d in devices for s in d.services]
    if not wanted:
        return 0
    _, address, service = min(wanted, key=lambda w: w[0])
    with _socket(address, service) as probe:
        try:
            probe.bind((address, service.port))
        except PermissionError:
            return OFFSET
        except OSError:
            pass  # told properly when the lab binds
    return 0


def _allow_files(sockets: int) -> None:
    """Raise this process's own limit on open files as far as its sockets and some clients need.

    Raises:
        UsageError: The limit that the system sets is lower.
    """
    needed = sockets + SPARE_FILES
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft != resource.RLIM_INFINITY and soft < needed:
        if hard != resource.RLIM_INFINITY and hard < needed:
            raise UsageError(
                f"{sockets} ports need {needed} open files and this user may have {hard}; "
                "simulate fewer devices, or have the limit raised (ulimit -Hn shows it)"
            )
        resource.setrlimit(resource.RLIMIT_NOFILE, (needed, hard))


def _socket(address: str, service: Service) -> socket.socket:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    kind = socket.SOCK_STREAM if service.transport == "tcp" else socket.SOCK_DGRAM
    return socket.socket(family, kind)


def _bind(address: str, service: Service, port: int) -> socket.socket:
    bound = _socket(address, service)
    try:
        if service.transport == "tcp":
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.setblocking(False)
        bound.bind((address, port))
        if service.transport == "tcp":
            bound.listen(64)
    except OSError as exc:
        bound.close()
        why = _HELP.get(exc.errno or 0, f"cannot be bound: {exc.strerror}")
        taken = PortTaken if exc.errno == errno.EADDRINUSE else UsageError
        raise taken(f"{address} {service.transport} port {port} {why}") from exc
    return bound


async def _begins_with_tls(service: Service, connection: socket.socket) -> bool:
    """Whether this connection is to run under TLS; where the client may choose, its first byte tells."""
    if service.spoken_in != "both":
        return service.spoken_in == "tls"
    loop = asyncio.get_running_loop()
    connection.setblocking(False)
    readable: asyncio.Future[None] = loop.create_future()

    def wake() -> None:
        if not readable.done():
            readable.set_result(None)

    loop.add_reader(connection, wake)
    try:
        async with asyncio.timeout(IDLE):
            await readable
    finally:
        loop.remove_reader(connection)
    return connection.recv(1, socket.MSG_PEEK)[:1] == bytes([TLS_RECORD])


async def _streams(
    connection: socket.socket, host: Host, encrypted: bool
) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    loop = asyncio.get_running_loop()
    ready: asyncio.Future[tuple[asyncio.StreamReader, asyncio.StreamWriter]] = loop.create_future()

    def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        ready.set_result((reader, writer))

    protocol = asyncio.StreamReaderProtocol(asyncio.StreamReader(), connected)
    await loop.connect_accepted_socket(
        lambda: protocol,
        connection,
        ssl=host.context if encrypted else None,
        ssl_handshake_timeout=HANDSHAKE if encrypted else None,
        ssl_shutdown_timeout=GOODBYE if encrypted else None,
    )
    return await ready


def _complain(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """One line for a fault of ours; what clients do to their connections is no fault."""
    exc = context.get("exception")
    if not isinstance(exc, OSError):
        print(f"demo lab: {context.get('message')}: {exc!r}", file=sys.stderr)
