"""Who uses what, read from a capture of real servers that were scanned and used, beside tshark."""

from __future__ import annotations

import ftplib
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.captures import capturing, counted, totals

from hardenprobe.usage import files
from hardenprobe.usage.collect import collect
from hardenprobe.usage.conversations import Conversation, Conversations
from hardenprobe.usage.packet_file import PacketFile

pytestmark = [pytest.mark.peer, pytest.mark.slow]

SCANNER = "127.0.0.1"


@pytest.fixture(scope="module")
def case(
    vsftpd: Callable[..., str],
    nginx: Callable[..., dict[str, str]],
    telnetd: Callable[..., str],
    scan: Callable[..., Any],
    program: Callable[[str, str], str],
    port_offset: int,
    folder: Callable[[str], Path],
) -> tuple[Path, dict[str, str]]:
    """The capture, and the servers by what they speak: an FTP and a web server that are scanned and used, and a telnet server."""
    web = nginx(plain="")["plain"]
    servers = {"ftp": vsftpd(), "web": web, "telnet": telnetd()}
    file = folder("capture") / "lo.pcap"
    hosts = " or ".join(f"host {host}" for host in servers.values())
    with capturing(program("tcpdump", "tcpdump"), file, hosts):
        scan(*servers.values())
        for _ in range(3):
            with urllib.request.urlopen(f"http://{web}:{80 + port_offset}/", timeout=5) as page:
                page.read()
        with ftplib.FTP(timeout=5, source_address=("127.0.0.40", 0)) as session:
            session.connect(servers["ftp"], 21 + port_offset)
            session.sendcmd("FEAT")
    return file, servers


def test_tshark_counts_the_same_conversations_and_bytes(case: Any) -> None:
    found: list[Conversation] = []
    table = Conversations(found.append)
    with files.opened(case[0]) as opened:
        table.read(PacketFile(opened).packets())
    table.finish()

    for transport in ("tcp", "udp"):
        assert totals(found, transport) == counted(case[0], transport)
    assert len(found) > 50


def test_use_is_what_was_said_and_not_what_was_knocked_at(case: Any, port_offset: int) -> None:
    file, servers = case
    source, uses = collect(file, "here", servers.values())
    by_service = {(use.address, use.port - port_offset, use.client): use for use in uses}

    assert by_service[servers["ftp"], 21, "127.0.0.40"].conversations == 1
    assert by_service[servers["web"], 80, SCANNER].conversations >= 3
    closed = {port for _, port, _ in by_service} - {21, 23, 80}
    assert not closed  # dozens of ports were asked, and refused
    assert any("are no use" in notice for notice in source.notices)
