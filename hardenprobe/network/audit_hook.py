"""The second door: an audit hook that holds every library and plug-in to what Link has opened.

Link is the first door. This hook sees every connect, bind, datagram, name look-up and new process of this process; while
a scan runs it lets through only what Link has granted at that moment, to the very socket that Link has made. A hook
cannot be taken out of a process, so it is installed once and does nothing while no scan runs.

It holds libraries that open sockets of their own, and checks that forget themselves. It cannot hold code that sets out
to get around it: what calls the C library through ctypes or an extension module of its own raises no audit event, and
nothing inside a Python process is out of reach of other code in it. Load such a plug-in in no process (`--no-plugins`).
"""

from __future__ import annotations

import _socket
import contextlib
import socket
import sys
from collections import Counter
from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cache
from ipaddress import ip_address
from typing import Any

from hardenprobe.errors import PastTheDoor

RESERVED = range(512, 1024)  # that a scan may take where the system lets it
FOLDER_PREFIX = "hardenprobe_folder_"  # packages that plugins/sources.py makes of folders of checks
Place = tuple[str, int, int]  # address, port, number of the zone

_granted: dict[int, Place] = {}  # id of a socket to where it may go
_swept: dict[object, tuple[Container[str], Container[int], Container[str]]] = {}
_sources: Counter[str] = Counter()
_children: Counter[tuple[str, ...]] = Counter()
_running = 0
_installed = False
refusals: Counter[tuple[str, str]] = Counter()
"""Who tried what past Link, and how often, since the scan began."""


@contextmanager
def watching() -> Iterator[None]:
    """Hold the whole process to Link's grants until the block ends."""
    global _running, _installed
    if not _installed:
        sys.addaudithook(_hook)
        _hold_unaudited_children()
        _installed = True
    if not _running:
        refusals.clear()  # they belong to one scan
    _running += 1
    try:
        yield
    finally:
        _running -= 1


@contextmanager
def granted(sock: socket.socket, address: str, port: int, source: str | None = None) -> Iterator[None]:
    """Let one socket go to one endpoint. Only the modules of this room call it.

    Args:
        source: The local address that it may be bound to.
    """
    _granted[id(sock)] = _place((address, port))
    if source:
        _sources[source] += 1
    try:
        yield
    finally:
        del _granted[id(sock)]
        if source:
            _sources[source] -= 1


@contextmanager
def child(command: Sequence[str]) -> Iterator[None]:
    """Let one command be started: a child process that keeps the same scope."""
    _children[tuple(command)] += 1
    try:
        yield
    finally:
        _children[tuple(command)] -= 1


def refused() -> int:
    """How often something was refused since the scan began."""
    return refusals.total() if refusals else 0


def tried() -> list[str]:
    """What was refused since the scan began, each with who tried it, for the review."""
    return [f"{_named(who)} tried {what}, which was refused" for who, what in refusals]


@contextmanager
def granted_many(
    addresses: Container[str],
    ports: Container[int],
    *,
    modules: Container[str],
    sources: Iterable[str] = (),
) -> Iterator[None]:
    """Let some modules connect and send datagrams to some ports of many addresses. Only the first touch calls this.

    Args:
        addresses: The addresses in it at that moment; they may change while the block runs.
        modules: Whose own calls are meant; sockets come and go too fast to be granted one by one.
        sources: The local addresses that sockets may be bound to.
    """
    key = object()
    _swept[key] = (addresses, ports, modules)
    _sources.update(sources)
    try:
        yield
    finally:
        del _swept[key]
        _sources.subtract(sources)


def _hook(event: str, args: tuple[Any, ...]) -> None:
    if _running and (watch := _WATCHED.get(event)) is not None:
        watch(event, args)


def _new_socket(_: str, args: tuple[Any, ...]) -> None:
    """Raw sockets and other families know no ports: nothing could be granted to them. A capture only listens."""
    family, kind = int(args[1]), int(args[2])
    if family in _HARMLESS:
        return
    # Behind this function, _hook and the class's own: the code that makes the socket.
    if family == _PACKET and sys._getframe(3).f_globals.get("__name__") == _CAPTURE:
        return
    if family not in _INTERNET or kind & 0xF not in _SPEAKING:
        _refuse(f"a socket of family {family} and type {kind & 0xF}")


def _send(_: str, args: tuple[Any, ...]) -> None:
    sock, target = args[0], args[1]
    if target is None:  # a datagram on a connected socket
        return
    if (_swept and _of_the_sweep(target)) or _family(sock) == _NETLINK:
        return
    try:
        here = _place(target)
    except (ValueError, TypeError, OSError, IndexError):  # a path, a name, or an address that cannot be read
        _refuse(f"to reach {target!r:.100}")
        return
    if _granted.get(id(sock)) != here:
        _refuse(f"to reach {target[0]} port {target[1]}", str(target[0]))


def _of_the_sweep(target: Any) -> bool:
    """Tell whether the very module that sweeps has called; kept quick, since it does so thousands of times a second."""
    caller = sys._getframe(3).f_globals.get("__name__", "")  # behind this function, _send and _hook
    for addresses, ports, modules in _swept.values():
        if caller in modules and target[0] in addresses and target[1] in ports:
            return True
    return False


def _bind(_: str, args: tuple[Any, ...]) -> None:
    """A source address and any port is Link's own doing; a fixed port is a server, which a scan never is, unless the socket
    was granted and the port is one of those that BSD daemons want of a client (RFC 1282).

    So is any port of no address, which a capture must know before the first packet leaves.
    """
    sock, address = args[0], args[1]
    if _family(sock) == _NETLINK:
        return
    reserved = id(sock) in _granted and isinstance(address, tuple) and address[1] in RESERVED
    if isinstance(address, tuple) and len(address) >= 2 and (address[1] == 0 or reserved):
        host = str(address[0])
        if host in ("127.0.0.1", "::1") or _sources[host] > 0:
            return
        caller = sys._getframe(2).f_globals.get("__name__", "")  # behind this function and _hook
        if not host and (id(sock) in _granted or any(caller in modules for _, _, modules in _swept.values())):
            return
    _refuse(f"to bind {address!r:.100}")


def _look_up(event: str, args: tuple[Any, ...]) -> None:
    host = args[0]
    text = host.decode("ascii", "replace") if isinstance(host, bytes) else str(host)
    if event != "socket.getaddrinfo" or not _is_literal(text):
        _refuse(f"a look-up of {text[:100]!r}")


def _start(event: str, args: tuple[Any, ...]) -> None:
    if event == "subprocess.Popen" and _children[tuple(map(str, args[1]))] > 0:
        return
    _refuse(f"to start a process ({event})")


_NETLINK = int(getattr(socket, "AF_NETLINK", -2))
_PACKET, _CAPTURE = int(getattr(socket, "AF_PACKET", -3)), "hardenprobe.network.capture.packet_socket"

# Plain numbers, since a sweep makes sockets by the thousand and members of an enumeration compare slowly.
_HARMLESS = frozenset(
    {-1, int(getattr(socket, "AF_UNIX", -1)), _NETLINK}
)  # made from a descriptor; a pair; the kernel itself
_INTERNET = frozenset({int(socket.AF_INET), int(socket.AF_INET6)})
_SPEAKING = frozenset({int(socket.SOCK_STREAM), int(socket.SOCK_DGRAM)})
_WATCHED: Mapping[str, Callable[[str, tuple[Any, ...]], None]] = {
    "socket.__new__": _new_socket,
    **dict.fromkeys(("socket.connect", "socket.sendto", "socket.sendmsg"), _send),
    "socket.bind": _bind,
    **dict.fromkeys(
        ("socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr", "socket.getnameinfo"), _look_up
    ),
    **dict.fromkeys(
        (
            *(
                "subprocess.Popen",
                "os.exec",
                "os.fork",
                "os.forkpty",
                "os.posix_spawn",
                "os.spawn",
                "os.system",
            ),
            *("os.startfile", "pty.spawn"),
        ),
        _start,
    ),
}


def _family(sock: socket.socket) -> int:
    """The family that the system knows, whatever a subclass says."""
    return int(_socket.socket.family.__get__(sock))


def _hold_unaudited_children() -> None:
    """`multiprocessing` starts its children by a function that raises no audit event; subprocess has its own name for it."""
    with contextlib.suppress(ImportError):  # there is none on Windows
        import _posixsubprocess

        plain = _posixsubprocess.fork_exec

        def fork_exec(*args: Any) -> Any:
            if _running:
                _refuse("to start a process (multiprocessing)")
            return plain(*args)

        _posixsubprocess.fork_exec = fork_exec


def _place(target: tuple[Any, ...]) -> Place:
    """An endpoint, however its zone is written.

    Raises:
        TypeError, ValueError, OSError: It names no address, or no zone of this machine.
    """
    if not isinstance(target, tuple) or len(target) < 2:
        raise TypeError("no internet address")
    host, _, zone = str(target[0]).partition("%")
    number = target[3] if len(target) > 3 else 0
    if zone:
        number = int(zone) if zone.isdigit() else socket.if_nametoindex(zone)
    return str(ip_address(host)), int(target[1]), int(number)


def _is_literal(host: str) -> bool:
    try:
        ip_address(host)
    except ValueError:
        return False
    return True


def _refuse(what: str, address: str | None = None) -> None:
    who = _culprit()
    refusals[who, what] += 1
    raise PastTheDoor(
        f"{_known_as(who)} tried {what} past hardenprobe's door; a scan speaks only through Link", address
    )


def _culprit() -> str:
    """The module that called: of a plug-in rather than of a library that it uses, and of a library rather than Python's own."""
    frame = sys._getframe(2)
    found = nearest = None
    while frame is not None:
        module = str(frame.f_globals.get("__name__", "?"))
        top = module.partition(".")[0]
        if top == "hardenprobe":
            if module == __name__:
                frame = frame.f_back  # type: ignore[assignment]
                continue
            if found is None:
                found = module
            break
        nearest = nearest or module
        if top not in sys.stdlib_module_names and top != "__main__":
            found = module
        frame = frame.f_back  # type: ignore[assignment]
    return found or nearest or "code"


def _named(module: str) -> str:
    """A module with the distribution that brought it, or its file where it came from a folder of checks."""
    brought = _distributions().get(module.partition(".")[0])
    return f"{module} of {brought}" if brought else _known_as(module)


def _known_as(module: str) -> str:
    """A module, or its file where it came from a folder of checks."""
    file = getattr(sys.modules.get(module), "__file__", None) if module.startswith(FOLDER_PREFIX) else None
    return str(file or module)


@cache
def _distributions() -> Mapping[str, str]:
    from importlib.metadata import PackageNotFoundError, packages_distributions, version

    found = {}
    for module, names in packages_distributions().items():
        with contextlib.suppress(PackageNotFoundError):
            found[module] = f"{names[0]} {version(names[0])}"
    return found
