"""The suite's own promises: it stays on this machine, and out of the user's folders."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest
from platformdirs import user_data_path, user_log_path


@pytest.mark.parametrize("address", ["192.0.2.1", "::2", "10.0.0.1"])
def test_a_connection_that_leaves_is_refused(address: str) -> None:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(family) as sock, pytest.raises(OSError, match="tests stay on this machine"):
        sock.connect((address, 9))


def test_a_datagram_that_leaves_is_refused() -> None:
    with (
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock,
        pytest.raises(OSError, match="tests stay on this machine"),
    ):
        sock.sendto(b"x", ("192.0.2.1", 9))


def test_a_look_up_that_leaves_is_refused() -> None:
    with pytest.raises(OSError, match="tests stay on this machine"):
        socket.getaddrinfo("printer.example.org", 80)


def test_loopback_and_unix_sockets_are_let_through(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        socket.create_connection(server.getsockname(), timeout=2).close()
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(tmp_path / "s"))
        server.listen()
        with socket.socket(socket.AF_UNIX) as client:
            client.connect(str(tmp_path / "s"))


def test_default_folders_are_temporary(_home: Path) -> None:
    for folder in (user_data_path("hardenprobe"), user_log_path("hardenprobe")):
        assert folder.is_relative_to(_home)


def test_files_that_are_begun_first_are_there(request: pytest.FixtureRequest) -> None:
    here = Path(__file__).parent
    conftest = request.config.pluginmanager.get_plugin(str(here / "conftest.py"))
    assert conftest is not None
    assert [name for name in conftest.LONGEST if not (here.parent / name).is_file()] == []
