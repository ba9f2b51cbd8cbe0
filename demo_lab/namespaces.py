"""Network namespaces of this process's own (Linux, namespaces(7)): made without a trace, and gone with their last process."""

from __future__ import annotations

import ctypes
import os
import subprocess
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from hardenprobe.errors import UsageError

NAMES = Path("/run/netns")  # where ip(8) keeps names; a private file system here
_NEW_MOUNTS, _NEW_USER, _NEW_NETWORK = 0x00020000, 0x10000000, 0x40000000  # linux/sched.h


def leave() -> None:
    """Move this process, which must have one thread, to a network of its own with nothing but an idle loopback in it.

    Raises:
        UsageError: The system does not allow that.
    """
    if sys.platform != "linux":
        raise UsageError("the network lab needs network namespaces, which only Linux has")
    user, group = os.getuid(), os.getgid()
    try:
        if user:
            _call("unshare", _NEW_USER | _NEW_NETWORK | _NEW_MOUNTS)
            Path("/proc/self/setgroups").write_text("deny")
            Path("/proc/self/uid_map").write_text(f"0 {user} 1")
            Path("/proc/self/gid_map").write_text(f"0 {group} 1")
        else:
            _call("unshare", _NEW_NETWORK | _NEW_MOUNTS)
        run("mount", "--make-rprivate", "/")
        run("mount", "-t", "tmpfs", "none", "/run")
        run("ip", "link", "set", "lo", "up")
    except OSError as exc:
        raise UsageError(
            f"the network lab needs the right to make network namespaces: {exc.strerror}; "
            "run it as root, or leave out --network for the lab on loopback"
        ) from None


@contextmanager
def inside(name: str | None) -> Iterator[None]:
    """Make this thread's new sockets in a namespace, by its name; None leaves it where it is."""
    if name is None:
        yield
        return
    home = os.open("/proc/self/ns/net", os.O_RDONLY)
    try:
        there = os.open(NAMES / name, os.O_RDONLY)
        try:
            _call("setns", there, _NEW_NETWORK)
        finally:
            os.close(there)
        try:
            yield
        finally:
            _call("setns", home, _NEW_NETWORK)
    finally:
        os.close(home)


def ip(lines: Iterable[str], name: str | None = None) -> None:
    """Run commands of ip(8), in a namespace of that name."""
    run("ip", *(["-n", name] if name else []), "-batch", "-", given="".join(f"{line}\n" for line in lines))


def run(*command: str, given: str = "", name: str | None = None) -> None:
    """Run a command, in a namespace of that name.

    Raises:
        UsageError: It is not installed, or it failed.
    """
    entered = ["ip", "netns", "exec", name] if name else []
    try:
        done = subprocess.run(
            [*entered, *command], input=given.encode(), capture_output=True, check=False, timeout=30
        )
    except FileNotFoundError as exc:
        raise UsageError(
            f"the network lab needs the command {exc.filename!r}; install iproute2, nftables and util-linux"
        ) from None
    if done.returncode:
        said = done.stderr.decode(errors="replace").strip().splitlines()
        raise UsageError(f"{' '.join(command)}: {said[0] if said else f'status {done.returncode}'}")


def _call(name: str, *arguments: int) -> None:
    """Call a function of the C library that Python 3.11 does not have."""
    library = ctypes.CDLL(None, use_errno=True)
    if getattr(library, name)(*arguments):
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))
