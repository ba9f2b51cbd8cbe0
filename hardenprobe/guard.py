"""The second door: an audit hook that holds every library and plug-in to what Link has opened.

Link is the first door. This hook sees each connect, sendto and name look-up of the process; while a scan runs it lets
through only the endpoints that Link has granted at that moment. A hook cannot be taken out of a process, so it is
installed once and does nothing while no scan runs.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Container, Iterator
from contextlib import contextmanager
from typing import Any

from hardenprobe.errors import ScopeRefused

_SENDING = frozenset({"socket.connect", "socket.sendto", "socket.sendmsg"})
_ASKING = frozenset({"socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr"})
_WATCHED = _SENDING | _ASKING | {"socket.bind"}

_granted: Counter[tuple[str, int]] = Counter()
_swept: dict[object, tuple[Container[str], Container[int]]] = {}
_running = 0
_installed = False
refusals: Counter[str] = Counter()


@contextmanager
def watching() -> Iterator[None]:
    """Hold the whole process to Link's grants until the block ends."""
    global _running, _installed
    if not _installed:
        sys.addaudithook(_hook)
        _installed = True
    if not _running:
        refusals.clear()  # they belong to one scan
    _running += 1
    try:
        yield
    finally:
        _running -= 1


@contextmanager
def granted(address: str, port: int) -> Iterator[None]:
    """Let connects and datagrams to one endpoint through. Only link.py calls this."""
    _granted[address, port] += 1
    try:
        yield
    finally:
        _granted[address, port] -= 1
        if not _granted[address, port]:
            del _granted[address, port]


@contextmanager
def granted_many(addresses: Container[str], ports: Container[int]) -> Iterator[None]:
    """Let connects and datagrams to some ports of many addresses through. Only the first touch calls this.

    Args:
        addresses: Whoever is in it at that moment; it may change while the block runs.
    """
    key = object()
    _swept[key] = (addresses, ports)
    try:
        yield
    finally:
        del _swept[key]


def _hook(event: str, args: tuple[Any, ...]) -> None:
    if event not in _WATCHED or not _running:
        return
    if event in _SENDING:
        target = args[1]
        if (
            not isinstance(target, tuple) or len(target) < 2
        ):  # a Unix socket, or a datagram on a connected one
            return
        host, port = str(target[0]), int(target[1])
        for addresses, ports in _swept.values():
            if host in addresses and port in ports:
                return
        if _granted.get((host, port)):
            return
        _refuse(f"{target[0]} port {target[1]}", str(target[0]))
    elif event == "socket.bind":
        address = args[1]
        # Binding to a source address and any port is Link's own doing; a fixed port is a server, which a scan never is.
        if isinstance(address, tuple) and len(address) >= 2 and int(address[1]) != 0:
            _refuse(f"a bind to port {address[1]}", str(address[0]))
    elif event == "socket.getaddrinfo":
        host = args[0]
        text = host.decode("ascii", "replace") if isinstance(host, bytes) else str(host)
        if not _is_literal(text):
            _refuse(f"a look-up of {text!r}", None)
    else:
        _refuse(f"a look-up of {args[0]!r}", None)


def _is_literal(host: str) -> bool:
    from ipaddress import ip_address

    try:
        ip_address(host)
    except ValueError:
        return False
    return True


def _refuse(what: str, address: str | None) -> None:
    who = _culprit()
    refusals[f"{who}: {what}"] += 1
    raise ScopeRefused(
        f"{who} tried {what} past hardenprobe's door; a scan speaks only through Link", address
    )


def _culprit() -> str:
    """Name the nearest module that is neither ours nor the standard library's plumbing, for the message."""
    frame = sys._getframe(2)
    name = "code"
    while frame is not None:
        module = frame.f_globals.get("__name__", "?")
        if module.split(".")[0] not in {"socket", "asyncio", "hardenprobe", "selectors", "ssl"}:
            return str(module)
        if module.startswith(("hardenprobe.checks.", "hardenprobe.probes.")):
            return str(module)
        frame = frame.f_back  # type: ignore[assignment]
        name = module
    return name
