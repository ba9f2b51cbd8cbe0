"""TFTP, SMB and a remote screen, each against widespread programs in good and bad settings."""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import Callable
from functools import partial
from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.udp_small_services import CHECK as UDP_SMALL_SERVICES
from hardenprobe.facts import SmallServiceAnswer
from hardenprobe.model import Review, Word
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.discovery import datagrams, small_services
from hardenprobe.scope.scope import Scope
from hardenprobe.testing import seen_device

pytestmark = [pytest.mark.peer, pytest.mark.slow]

Start = Callable[..., None]
Program = Callable[[str, str], str]
Named = dict[str, str]


def answers(host: str, port: int, datagram: bytes) -> bool:
    """Tell whether anything comes back to a datagram, from whichever port."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.settimeout(0.2)
        sock.sendto(datagram, (host, port))
        try:
            return sock.recvfrom(2048)[1][0] == host
        except OSError:
            return False


@pytest.fixture(scope="module")
def tftpd(address: Any, folder: Any, program: Program, start: Start, port_offset: int) -> str:
    if os.geteuid() != 0:
        pytest.skip("in.tftpd gives its rights up, so only root can start it")
    host, where = address(), folder("tftpd")
    port = 69 + port_offset
    try:
        socket.getaddrinfo(host, port, socket.AF_INET, socket.SOCK_DGRAM, 0, socket.AI_ADDRCONFIG)
        only = host
    except (
        OSError
    ):  # it asks for the same, and finds no address where there are none but loopback's: getaddrinfo(3)
        only = ""
    command = (
        program("in.tftpd", "tftpd-hpa"),
        "--ipv4",
        "--foreground",
        "--address",
        f"{only}:{port}",
        "--secure",
        where,
    )
    start(command, where, ready=lambda: answers(host, port, b"\0\1nothing\0octet\0"))
    return str(host)


@pytest.fixture(scope="module")
def smbd(address: Any, folder: Any, program: Program, start: Start, port_offset: int) -> Callable[..., str]:
    """Start samba's daemon, alone and on TCP 445 of one address, with everything that it writes in its own folder."""

    def run(*settings: str) -> str:
        host, where = address(), folder("smbd")
        kept = ("private dir", "lock directory", "state directory", "cache directory", "pid directory",
                "ncalrpc dir", "binddns dir", "usershare path")  # fmt: skip
        lines = [
            "[global]", f"interfaces = {host}/255.0.0.0", "bind interfaces only = yes", f"smb ports = {445 + port_offset} {139 + port_offset}",
            "server role = standalone server", "disable netbios = yes", "load printers = no", "disable spoolss = yes",
            "usershare max shares = 0", *(f"{key} = {where / key.replace(' ', '-')}" for key in kept), *settings,
        ]  # fmt: skip
        for key in kept:
            (where / key.replace(" ", "-")).mkdir(mode=0o700)
        (where / "ncalrpc-dir").chmod(0o755)
        (where / "smb.conf").write_text("\n".join(lines) + "\n")
        daemon = program("smbd", "samba")
        start(
            (
                daemon,
                "--foreground",
                "--no-process-group",
                "--debug-stdout",
                f"--configfile={where / 'smb.conf'}",
            ),
            where,
            accepts=(host, 445),
        )
        return str(host)

    return run


@pytest.fixture(scope="module")
def servers(smbd: Callable[..., str]) -> Named:
    return {
        "version 1, signing off": smbd("server min protocol = NT1", "server signing = disabled"),
        "version 1, signing required": smbd("server min protocol = NT1", "server signing = mandatory"),
        "version 2 and newer": smbd("server min protocol = SMB2", "server signing = default"),
        "version 3.1.1, signing required": smbd(
            "server min protocol = SMB3_11", "server signing = mandatory"
        ),
    }


@pytest.fixture(scope="module")
def screens(address: Any, folder: Any, program: Program, start: Start, port_offset: int) -> Named:
    """An X server that shows its screen over RFB, by its security types."""

    def run(number: int, *options: str) -> str:
        host, where = address(), folder("screen")
        (where / "passwd").write_bytes(bytes.fromhex("dbd83cfd727a1458"))  # any eight bytes: nobody signs in
        command = (
            program("Xtigervnc", "tigervnc-standalone-server"), f":{number}", "-rfbport", str(5900 + port_offset),
            "-interface", host, "-nolisten", "tcp", "-geometry", "64x64", "-depth", "16",
            "-PasswordFile", where / "passwd", *options,
        )  # fmt: skip
        start(command, where, accepts=(host, 5900))
        return str(host)

    first = 3000 + os.getpid() % 5000 * 4
    return {
        "None": run(first, "-SecurityTypes", "None"),
        "a password": run(first + 1, "-SecurityTypes", "VncAuth"),
        "a password or None": run(first + 2, "-SecurityTypes", "VncAuth,None"),
        "TLS of a kind that is chosen later": run(first + 3, "-SecurityTypes", "TLSVnc,TLSPlain"),
    }


@pytest.fixture(scope="module")
def review(servers: Named, screens: Named, scan: Callable[..., Review]) -> Review:
    return scan(*servers.values(), *screens.values())


@pytest.fixture(scope="module")
def small(address: Any, folder: Any, program: Program, start: Start) -> str:
    """GNU inetutils' daemon with the services that it holds itself, which have the ports of their names."""
    if os.geteuid() != 0:
        pytest.skip("only root can bind the assigned ports")
    host, where = address(), folder("inetd")
    names = ("echo", "daytime", "chargen")
    (where / "conf").write_text("".join(f"{host}:{n} dgram udp wait root internal\n" for n in names))
    command = (
        program("inetutils-inetd", "inetutils-inetd"), "--debug", f"--pidfile={where / 'pid'}", where / "conf",
    )  # fmt: skip
    start(command, where, ready=lambda: answers(host, 7, b"ready"))
    return str(host)


def test_small_services_are_found_by_their_datagrams(small: str) -> None:
    async def ask() -> list[Any]:
        line = DeviceLink(address=small, permit=Scope.loopback())
        seen = []
        for port, service in small_services.SERVICES.items():
            token = b"%08d" % port
            read = partial(small_services.read, service=service, token=token)
            make = partial(SmallServiceAnswer, service=service)
            one, _ = await datagrams.ask(line, make, port, service, "?", token, read)
            seen.append(one)
        return seen

    outcomes = list(UDP_SMALL_SERVICES.judge(seen_device(*asyncio.run(ask())), NoSettings()))
    assert [(o.word, o.endpoint and o.endpoint.port, o.vector) for o in outcomes] == [
        (Word.FAIL, 7, None),
        (Word.FAIL, 13, "amplified"),
        (Word.FAIL, 19, "amplified"),
    ]


def test_tftp_is_found_although_it_answers_from_another_port(
    tftpd: str, scan: Callable[..., Review], said: Any
) -> None:
    review = scan(tftpd)
    assert said(review, tftpd, "cleartext-tftp") == {("udp/69", None, "fail")}
    assert said(review, tftpd, "ntp-control-reply") == {("udp/123", None, "pass")}


@pytest.mark.parametrize(
    ("server", "version_1", "signing"),
    [
        ("version 1, signing off", "fail", {"version 1": "fail", "version 2 or 3": "fail"}),
        ("version 1, signing required", "fail", {"version 1": "pass", "version 2 or 3": "pass"}),
        ("version 2 and newer", "pass", {"version 2 or 3": "fail"}),
        ("version 3.1.1, signing required", "pass", {"version 2 or 3": "pass"}),
    ],
)
def test_an_smb_server_is_judged_by_what_it_agrees_to(
    server: str, version_1: str, signing: dict[str, str], servers: Named, review: Review, said: Any
) -> None:
    places = ("tcp/139", "tcp/445")  # at 139 behind a request for a session
    assert said(review, servers[server], "smb1-dialect") == {(place, None, version_1) for place in places}
    expected = {(place, subject, word) for place in places for subject, word in signing.items()}
    assert said(review, servers[server], "smb-signing-not-required") == expected
    # A session service that is known is no port that may be telnet's.
    assert said(review, servers[server], "cleartext-telnet") == {(None, None, "pass")}


@pytest.mark.parametrize(
    ("shown", "word", "in_clear"),
    [
        ("None", "fail", "informational"),
        ("a password", "pass", "fail"),
        ("a password or None", "fail", "fail"),
        ("TLS of a kind that is chosen later", "pass", "unknown, inconclusive"),
    ],
)
def test_a_screen_is_judged_by_its_security_types(
    shown: str, word: str, in_clear: str, screens: Named, review: Review, said: Any
) -> None:
    assert said(review, screens[shown], "remote-screen-open") == {("tcp/5900", None, word)}
    assert said(review, screens[shown], "remote-screen-in-clear") == {("tcp/5900", None, in_clear)}
