"""Ask a device over SSDP, at its own address, what it is."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Mapping
from ipaddress import ip_address

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import SsdpAnswer, readable
from hardenprobe.model import Observation, State
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.discovery import datagrams

PORT = 1900  # IANA
GROUPS = {4: "239.255.255.250", 6: "FF02::C"}  # UPnP Device Architecture 2.0 sections 1.3.2 and A.3
DELAY = 1  # seconds that a device may take to answer the second search
_STATUS = re.compile(rb"HTTP/1\.[01] (\d{3})(?: [^\r\n]*)?\r?\n")
_TELLING = ("server", "st", "location", "usn")


def encode_search(host: str, *fields: str) -> bytes:
    """Write one search for a root device.

    Args:
        host: Where HOST says that it goes.
        fields: More header fields.

    Source: UPnP Device Architecture 2.0 section 1.3.2.
    """
    host = f"[{host}]" if ":" in host else host
    lines = (
        "M-SEARCH * HTTP/1.1",
        f"HOST: {host}:{PORT}",
        'MAN: "ssdp:discover"',
        *fields,
        "ST: upnp:rootdevice",
    )
    return "\r\n".join((*lines, "", "")).encode("ascii")


def decode_response(data: bytes) -> dict[str, str]:
    """Read the header fields of a search response, names in lower case.

    Source: UPnP Device Architecture 2.0 section 1.3.3.

    Raises:
        MalformedReply: Not a response, or not a successful one.
    """
    status = _STATUS.match(data[:4096])
    if not status:
        raise MalformedReply("SSDP message that is no response")
    if status[1] != b"200":
        raise MalformedReply(f"SSDP response with status {readable(status[1])}")
    found = _fields(data[status.end() : 4096])
    if "st" not in found and "usn" not in found:
        raise MalformedReply("SSDP response that names nothing")
    return found


def decode_notify(data: bytes) -> dict[str, str]:
    """Read the header fields of an announcement, names in lower case; the type it announces is under "st" too.

    Source: UPnP Device Architecture 2.0 section 1.2.2.

    Raises:
        MalformedReply: It announces nothing, or says good-bye.
    """
    if not data.startswith(b"NOTIFY * HTTP/1."):
        raise MalformedReply("SSDP message that is no announcement")
    found = _fields(data[:4096].partition(b"\n")[2])
    if found.get("nts") != "ssdp:alive" or "nt" not in found:
        raise MalformedReply("SSDP message that announces nothing")
    return {"st": found["nt"], **found}


def _fields(lines: bytes) -> dict[str, str]:
    found: dict[str, str] = {}
    for line in lines.split(b"\n"):
        name, colon, value = line.strip().partition(b":")
        if colon and len(found) < 32:
            found.setdefault(readable(name, 64).strip().lower(), readable(value.strip(), 200))
    return found


def told(data: bytes) -> str:
    """Say what a response holds, in words.

    Raises:
        MalformedReply: As for `decode_response`.
    """
    return words(decode_response(data))


def words(fields: Mapping[str, str]) -> str:
    """Say in words what the fields of a response or an announcement hold."""
    return "; ".join(f"{name} {fields[name]}" for name in _TELLING if fields.get(name))


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[SsdpAnswer]]:
    """As the standard says it of a unicast search; then in the words of a multicast one, without which some stacks are deaf.

    Both go to the device alone, and some stacks answer either from a port of the moment.
    """
    if PORT not in asked.plan.udp_ports:
        return

    address = asked.line.address
    group = GROUPS[ip_address(address).version]
    for question, search, wait in (
        ("search for a root device", encode_search(address), datagrams.WAIT),
        ("the same as to everybody", encode_search(group, f"MX: {DELAY}"), datagrams.WAIT + DELAY),
    ):
        seen, _ = await datagrams.ask(
            asked.line, SsdpAnswer, PORT, "ssdp", question, search, told, wait=wait, any_port=True
        )
        yield seen
        if seen.facts.state is not State.SILENT:
            return


def _to_group(group: str) -> datagrams.Question:
    search = encode_search(group.upper(), f"MX: {DELAY}")
    return datagrams.Question(words="search for a root device", message=search, read=told)


TO_GROUP = datagrams.GroupQuestion(
    service="ssdp",
    facts=SsdpAnswer,
    port=PORT,
    groups=(GROUPS[4], GROUPS[6].lower()),
    make=_to_group,
    wait=datagrams.WAIT + DELAY,
)
PROBE = Probe(name="ssdp", produces=(SsdpAnswer,), ask=_ask, place=("udp", PORT), to_groups=(TO_GROUP,))
