"""The IPP probe and its checks against CUPS' printer for testing.

It listens on 127.0.0.1 and ::1 alone, and announces itself on a message bus of the test's own that nobody is on. Only its
own port is asked, since 127.0.0.1 may have other services.
"""

from __future__ import annotations

import asyncio
import socket
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.baseline import baseline
from hardenprobe.network.link import DeviceLink
from hardenprobe.plugins import registry
from hardenprobe.probes.printing import ipp, ipp_services
from hardenprobe.probes.web.http import lenient_context
from hardenprobe.scope.scope import Scope
from hardenprobe.testing import seen_device

pytestmark = [pytest.mark.peer, pytest.mark.slow]

HERE = "127.0.0.1"
PACKAGE = "cups-ipp-utils"
CHECKS = registry.load(plugins=False)
SETTINGS = baseline.load("office-device", CHECKS).settings
PRINT_ONE = """{
NAME "print one page"
OPERATION Print-Job
GROUP operation-attributes-tag
ATTR charset attributes-charset utf-8
ATTR naturalLanguage attributes-natural-language en
ATTR uri printer-uri $uri
ATTR name requesting-user-name clerk
ATTR name job-name "Tide table"
ATTR mimeMediaType document-format image/pwg-raster
FILE $filename
STATUS successful-ok
}
"""


@pytest.fixture(scope="module")
def bus(
    folder: Callable[[str], Path], program: Callable[[str, str], str], start: Callable[..., None]
) -> Path:
    where = folder("bus")
    command = (program("dbus-daemon", "dbus-daemon"), "--session", "--nofork", "--nopidfile",
               f"--address=unix:path={where / 'socket'}")  # fmt: skip
    start(command, where, ready=(where / "socket").exists)
    return where / "socket"


@pytest.fixture(scope="module")
def printer(
    bus: Path, folder: Callable[[str], Path], program: Callable[[str, str], str], start: Callable[..., None]
) -> Callable[..., int]:
    """Start a printer with the given options, and return its port."""

    def run(*options: str) -> int:
        where = folder("printer")
        for name in ("spool", "keys"):
            (where / name).mkdir()
        with socket.create_server((HERE, 0)) as free:
            port = int(free.getsockname()[1])
        command = (program("ippeveprinter", PACKAGE), "-n", "localhost", "-p", str(port), "-r", "off",
                   "-d", where / "spool", "-K", where / "keys", "-c", "/bin/true",
                   # A file of attributes stands for the model.
                   *(() if "-a" in options else ("-M", "Series", "-m", "Nine")), *options, "Peer")  # fmt: skip

        def ready() -> bool:
            with socket.socket() as sock:
                return sock.connect_ex((HERE, port)) == 0

        environment = {"DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={bus}", "HOME": str(where)}
        start(command, where, ready=ready, environment=environment)
        return port

    return run


@pytest.fixture(scope="module")
def open_printer(
    printer: Callable[..., int], folder: Callable[[str], Path], program: Callable[[str, str], str]
) -> int:
    """One that takes anybody's jobs, and has printed one."""
    port, where = printer(), folder("job")
    (where / "job.test").write_text(PRINT_ONE)
    (where / "page").write_bytes(b"RaS2")
    command = (program("ipptool", PACKAGE), "-t", "-f", where / "page",
               f"ipp://localhost:{port}/ipp/print", where / "job.test")  # fmt: skip
    done = subprocess.run(command, capture_output=True, timeout=15, check=False)
    assert done.returncode == 0, done.stdout.decode()
    return port


def judged(port: int) -> tuple[dict[str, set[tuple[str | None, str]]], list[Any]]:
    """What the IPP checks say of a printer on 127.0.0.1, and the observations they rest on."""

    async def run() -> list[Any]:
        seen = []
        for tls in (lenient_context(), None):
            line = DeviceLink(address=HERE, permit=Scope.loopback(), port_offset=port - 631)
            seen.append(await ipp.ask_printer(line, 631, ("/printers/x", "/ipp/print"), tls, assigned=True))
            seen += [await ipp.ask_jobs(line, 631, "/ipp/print", tls, which) for which in ipp.WHICH_JOBS]
        return seen

    observations = asyncio.run(run())
    device = seen_device(*observations)
    said = {
        name: {(o.subject, str(o.word)) for o in CHECKS.checks[name].judge(device, SETTINGS[name])}
        for name in (
            "cleartext-ipp",
            "ipp-basic-without-tls",
            "ipp-no-authentication",
            "ipp-job-disclosure",
            "ipp-print-by-reference",
        )
    }
    return said, observations


def test_a_printer_for_everybody_fails_everything(open_printer: int) -> None:
    said, observations = judged(open_printer)
    assert said == {
        "cleartext-ipp": {(None, "fail"), ("advertised", "fail")},
        "ipp-basic-without-tls": {(None, "pass")},
        "ipp-no-authentication": {("ipp /ipp/print", "fail"), ("ipps /ipp/print", "fail")},
        "ipp-job-disclosure": {(None, "fail")},
        "ipp-print-by-reference": {(None, "fail")},
    }
    printed = observations[0].facts
    assert (printed.make_and_model, printed.path) == ("Series Nine", "/ipp/print")
    assert printed.uuid and printed.uuid.startswith("urn:uuid:")
    kept = b"".join(bytes.fromhex(e.hex) for o in observations for e in o.transcript if o.kind == "ipp-jobs")
    assert b"Tide table" not in kept and b"clerk" not in kept


def test_an_ipp_error_in_clear_is_ipp_in_clear(open_printer: int) -> None:
    """The server speaks IPP at a path that it does not have: its status is client-error-not-found."""
    line = DeviceLink(address=HERE, permit=Scope.loopback(), port_offset=open_printer - 631)
    seen = asyncio.run(ipp.ask_printer(line, 631, ("/ipp/nowhere",), None, assigned=True))
    assert seen.facts.status is not None and not seen.facts.served
    found = list(CHECKS.checks["cleartext-ipp"].judge(seen_device(seen), SETTINGS["cleartext-ipp"]))
    assert [(o.subject, str(o.word)) for o in found] == [(None, "fail")]


def test_a_printer_that_demands_a_password_keeps_its_jobs_to_itself(printer: Callable[..., int]) -> None:
    said, _ = judged(printer("-A"))
    assert said["ipp-no-authentication"] == {("ipp /ipp/print", "pass"), ("ipps /ipp/print", "pass")}
    assert said["ipp-job-disclosure"] == {(None, "pass")}
    assert said["ipp-basic-without-tls"] == {(None, "fail")}
    assert said["cleartext-ipp"] == {(None, "fail"), ("advertised", "fail")}


SCAN_DESTINATIONS = (("ftp://files.example/in", "desk"), ("https://files.example/box", "archive"))
ATTRIBUTES = {
    "fax out": (
        'ATTR keyword ipp-features-supported "faxout"',
        'ATTR keyword cover-sheet-info-supported "from-name","subject"',
        'ATTR uriScheme destination-uri-schemes-supported "tel"',
    ),
    "scan": (
        'ATTR keyword ipp-features-supported "scan"',
        'ATTR keyword input-source-supported "adf","platen"',
        'ATTR uriScheme destination-uri-schemes-supported "ftp","https"',
        "ATTR collection destination-uri-ready "
        + ",".join(
            f'{{ MEMBER uri destination-uri "{uri}" MEMBER name destination-name "{name}" }}'
            for uri, name in SCAN_DESTINATIONS
        ),
    ),
    "print": ('ATTR keyword ipp-features-supported "ipp-everywhere"',),
}


@pytest.mark.parametrize("name", ATTRIBUTES)
def test_a_service_is_told_by_the_words_of_its_standard(
    name: str, printer: Callable[..., int], folder: Callable[[str], Path]
) -> None:
    """PWG 5100.15 and 5100.17; the server encodes the attributes, and has them at its only path."""
    where = folder("attributes") / "attributes.conf"
    where.write_text("\n".join(ATTRIBUTES[name]) + "\n")
    port = printer("-a", str(where))

    async def run() -> list[Any]:
        return [
            await ipp_services.ask_service(
                DeviceLink(address=HERE, permit=Scope.loopback(), port_offset=port - 631), 631,
                replace(service, path="/ipp/print"), None,
            )
            for service in ipp_services.SERVICES[:2]
        ]  # fmt: skip

    fax, scan = seen = asyncio.run(run())
    assert [fax.facts.itself, scan.facts.itself] == [name == "fax out", name == "scan"]
    device = seen_device(*seen)
    words = {"fax out": ["fail", "unknown"], "scan": ["unknown", "fail"], "print": ["unknown", "unknown"]}[
        name
    ]
    checks = ("fax-out-service-open", "ipp-scan-service-open")
    assert [str(o.word) for id in checks for o in CHECKS.checks[id].judge(device, SETTINGS[id])] == words
    (sent,) = CHECKS.checks["scan-destinations-in-clear"].judge(
        device, SETTINGS["scan-destinations-in-clear"]
    )
    if name == "scan":
        assert (str(sent.word), sent.observed.value) == ("fail", {"ftp": 1})
        assert scan.facts.destinations == {"ftp": 1, "https": 1}
        kept = b"".join(bytes.fromhex(e.hex) for o in seen for e in o.transcript)
        assert b"destination-uri" in kept and b"files.example" not in kept


@pytest.fixture(scope="module")
def system(
    folder: Callable[[str], Path], program: Callable[[str, str], str], start: Callable[..., None]
) -> int:
    """A print server that has the IPP system service (PWG 5100.22), and no fax or scan service."""
    where = folder("system")
    with socket.create_server((HERE, 0)) as free:
        port = int(free.getsockname()[1])
    options = {
        "server-name": "localhost",
        "listen-hostname": HERE,
        "server-port": port,
        "spool-directory": where,
    }
    command = [program("lprint", "lprint"), "server"]
    for key, value in options.items():
        command += ["-o", f"{key}={value}"]

    def ready() -> bool:
        with socket.socket() as sock:
            return sock.connect_ex((HERE, port)) == 0

    environment = {
        "DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={where / 'nobody'}",
        "HOME": str(where),
        "TMPDIR": str(where),
    }
    start(command, where, ready=ready, environment=environment)
    return port


def test_the_system_service_is_told_from_services_that_are_not_there(system: int) -> None:
    async def run() -> list[Any]:
        lines = (
            DeviceLink(address=HERE, permit=Scope.loopback(), port_offset=system - 631) for _ in range(3)
        )
        return [
            await ipp_services.ask_service(line, 631, service, None)
            for line, service in zip(lines, ipp_services.SERVICES, strict=True)
        ]

    device = seen_device(*asyncio.run(run()))
    names = ("fax-out-service-open", "ipp-scan-service-open", "ipp-system-service-open")
    said = [str(o.word) for name in names for o in CHECKS.checks[name].judge(device, SETTINGS[name])]
    assert said == ["pass", "pass", "fail"]
