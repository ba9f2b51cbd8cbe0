"""What discovery and odd services are guilty of, to a source that they let in."""

from __future__ import annotations

from collections.abc import Iterator

from hardenprobe.demo_lab import service_discovery as discovery
from hardenprobe.demo_lab import service_odd as odd
from hardenprobe.demo_lab.service import Service

REMOTE_SHELL = frozenset({512, 513, 514})
SMALL = frozenset({7, 9, 13, 19, 37, 79})
GREETS = frozenset({"telnet", "ftp", "ssh", "remote-screen"})  # these say what they are, wherever they listen
USERS = ("u", "user", "username")
PASSWORDS = ("p", "pass", "passwd", "password", "pwd")

# Service class to the check that it fails by answering, and the port where it is asked.
ANSWERS: dict[type[Service], tuple[str, int]] = {
    discovery.Mdns: ("discovery-mdns", 5353),
    discovery.Llmnr: ("discovery-llmnr", 5355),
    discovery.LlmnrDatagrams: ("discovery-llmnr", 5355),
    discovery.Slp: ("discovery-slp", 427),
    discovery.WsDiscovery: ("discovery-ws-discovery", 3702),
    discovery.Ssdp: ("discovery-ssdp", 1900),
    discovery.Netbios: ("discovery-netbios", 137),
    odd.Tftp: ("cleartext-tftp", 69),
}


def of(service: Service) -> Iterator[tuple[str, str | None, int | None, str | None]]:
    """Check, transport, port and subject of each finding."""
    where = (service.transport, service.port)
    check, port = ANSWERS.get(type(service), ("", 0))
    if check and service.port == port:
        yield check, *where, None
    if isinstance(service, odd.Ntp) and service.port == 123 and (service.control or service.private):
        yield "ntp-control-reply", *where, None
    if isinstance(service, discovery.Mdns) and service.port == 5353:
        yield from _credentials(service)
    if isinstance(service, odd.SmallDatagrams):
        yield "udp-small-services", *where, None
    if service.transport == "tcp":
        yield from _accepts(service)
    if isinstance(service, odd.Smb) and service.port == 445:
        if service.version1 == "agrees":
            yield "smb1-dialect", *where, None
        if service.signing != "required":
            yield "smb-signing-not-required", *where, "version 2 or 3"
            if service.version1 == "agrees":
                yield "smb-signing-not-required", *where, "version 1"
    if isinstance(service, odd.RemoteScreen) and service.port == 5900:
        offered = service.types[:1] if service.version == "3.3" else service.types
        if 1 in offered:
            yield "remote-screen-open", *where, None
        if 2 in offered:
            yield "remote-screen-in-clear", *where, None


def _credentials(service: discovery.Mdns) -> Iterator[tuple[str, str, int, str]]:
    for one in service.publishes:
        filled = {key.lower() for key, _, value in (t.partition("=") for t in one.text) if value}
        if filled & {*USERS, *PASSWORDS}:
            yield "discovery-credentials", "udp", 5353, f"{one.instance}.{one.type}.local."


def _accepts(service: Service) -> Iterator[tuple[str, str, int, None]]:
    if service.port == 515:
        yield "cleartext-print-lpd", "tcp", 515, None
    if service.speaks in GREETS:
        return
    if service.port in REMOTE_SHELL:
        yield "cleartext-remote-shell", "tcp", service.port, None
    if service.port in SMALL:
        yield "cleartext-small-services", "tcp", service.port, None
