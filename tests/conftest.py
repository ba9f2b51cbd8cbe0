"""What holds for every test: nothing leaves this machine, and nothing touches the user's own data."""

from __future__ import annotations

import errno
import itertools
import os
import sys
from collections.abc import Generator, Iterator
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

settings.register_profile("ci", max_examples=50, deadline=None, derandomize=True, database=None)
settings.register_profile("dev", max_examples=50, deadline=None)
settings.register_profile("deep", deadline=None, max_examples=5000)
settings.load_profile("ci" if os.environ.get("CI") else "dev")

pytest_plugins = ["hardenprobe.testing.fixtures"]
pytest.register_assert_rewrite("support")  # so that a failed assertion there shows its values

LONGEST = (
    "tests/test_readme.py",
    "tests/demo_lab/test_lab_truth.py",
    "tests/interrupted/test_resume.py",
    "tests/comparison/test_months.py",
    "tests/demo_lab/test_hostile.py",
    "tests/peers/test_tls_peers.py",
    "tests/peers/test_command_line.py",
    "tests/interrupted/test_store_trouble.py",
    "tests/devkit/test_scaffold.py",
    "tests/peers/test_tcpdump.py",
    "tests/peers/test_tls_strain.py",
    "tests/demo_lab/test_fleet.py",
    "tests/demo_lab/test_reach.py",
    "tests/evidence/test_canaries.py",
    "tests/networks/test_truth.py",
    "tests/demo_lab/test_listen.py",
    "tests/networks/test_vantages.py",
    "tests/peers/test_network.py",
    "tests/cluster/test_secrets.py",
    "tests/scanning/test_silent_network.py",
    "tests/scanning/test_lost_interface.py",
    "tests/reports/test_paper.py",
    "tests/reports/test_browser.py",
    "tests/scanning/test_multicast_network.py",
    "tests/demo_lab/test_same_every_time.py",
    "tests/interrupted/test_capture.py",
)
"""Files that take more than ten seconds, longest first: begun last, one of them would keep a single worker at work."""

_guarded = False
_number = itertools.count()


def _stays_here(host: object) -> bool:
    """An address of loopback, or a name that resolves to one without asking anybody."""
    text = host.decode("ascii", "replace") if isinstance(host, bytes) else str(host)
    try:
        return ip_address(text.partition("%")[0]).is_loopback
    except ValueError:
        return text in ("", "localhost", "None")


def _hook(event: str, args: tuple[Any, ...]) -> None:
    if not _guarded or not event.startswith("socket."):
        return
    host: object = None
    if event in ("socket.connect", "socket.sendto", "socket.sendmsg"):
        target = args[1]
        if not isinstance(target, tuple):  # a Unix socket, or a socket that is connected already
            return
        host = target[0]
        if _is_address(host) and ip_address(str(host).partition("%")[0]).is_multicast:
            host = args[0].getsockname()[0]  # bound to loopback, it goes to loopback's groups
    elif event in ("socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr"):
        host = args[0]
        if event == "socket.getaddrinfo" and _is_address(host):
            return  # nobody is asked for what is an address already
    else:
        return
    if not _stays_here(host):
        raise OSError(errno.EPERM, f"tests stay on this machine; {event} named {host!r}")


def _is_address(host: object) -> bool:
    try:
        ip_address(str(host).partition("%")[0])
    except ValueError:
        return False
    return True


sys.addaudithook(_hook)  # a hook cannot be taken out, so a flag switches it


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    ranks = {name: rank for rank, name in enumerate(LONGEST)}
    items.sort(key=lambda item: ranks.get(item.nodeid.partition("::")[0], len(ranks)))


@pytest.fixture(scope="session", autouse=True)
def _sockets_stay_here() -> Iterator[None]:
    """Refuse every connection, datagram and look-up that would leave 127.0.0.0/8, ::1 and Unix sockets."""
    global _guarded
    _guarded = True
    yield
    _guarded = False


@pytest.fixture(scope="session")
def pango() -> None:
    """What lays out a PDF is there, with the library of the system that it needs."""
    try:
        import weasyprint  # noqa: F401 - it loads the library
    except OSError:
        pytest.skip("needs the Debian packages libpango-1.0-0, libpangoft2-1.0-0 and libharfbuzz-subset0")


@pytest.fixture(scope="session")
def _home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("home")


@pytest.fixture(autouse=True)
def _own_folders(_home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Give each test a default store and a log of its own; the folders are made when something is written."""
    mine = _home / str(next(_number))
    monkeypatch.setenv("HOME", str(_home))
    for kind in ("DATA", "STATE", "CACHE", "CONFIG"):
        monkeypatch.setenv(f"XDG_{kind}_HOME", str(mine / kind.lower()))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """On the build machine a real program that is missing is a failure: a skipped peer would pass unseen."""
    report = yield
    if report.skipped and os.environ.get("CI") and item.get_closest_marker("peer"):
        report.outcome = "failed"
        report.longrepr = f"the build machine must not skip this: {report.longrepr}"
    return report
