"""Two network namespaces on one link: ours, and one whose responders listen to multicast groups alone.

    unshare --net python multicast_network.py FOLDER GRANT...

Runs a scan of two devices of the link with these grants, with a capture where groups are asked, and its plan before; writes
FOLDER/review.json, FOLDER/scan.pcap and FOLDER/plan.txt, and is gone with its namespaces. The
first device answers SSDP, multicast DNS, SLP, WS-Discovery and LLMNR, and only what comes to the group; the second answers
nothing; a third, outside the scope, answers SSDP as the first does. Unicast ports are unreachable everywhere.
"""

from __future__ import annotations

import ctypes
import os
import re
import socket
import struct
import subprocess
import sys
import time
from contextlib import redirect_stdout
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from hardenprobe import cli

CLONE_NEWNET = 0x40000000  # Linux, sched.h
OURS, ANSWERS, SILENT, OUTSIDE = (
    "198.18.0.1",
    "198.18.0.11",
    "198.18.0.12",
    "198.18.0.99",
)  # RFC 2544: for tests


def ip(*words: str) -> None:
    subprocess.run(("ip", *words), check=True, timeout=10)


def dns(question: bytes) -> bytes:
    """The question back as an answer with one pointer to another name (RFC 1035 section 4.1)."""
    record = b"\xc0\x0c" + struct.pack(">HHIH", 12, 1, 10, 6) + b"\x04demo\0"
    return question[:2] + b"\x84\0\0\1\0\1\0\0\0\0" + question[12:] + record


def ssdp(search: bytes) -> bytes:
    return b"HTTP/1.1 200 OK\r\nST: upnp:rootdevice\r\nUSN: uuid:1\r\nSERVER: device/1\r\n\r\n"


def slp(request: bytes) -> bytes | None:
    """An agent advertises itself where agents are asked for, and is silent else (RFC 2608 section 8.6)."""
    if b"service:service-agent" not in request:
        return None
    url = b"service:service-agent://198.18.0.11"
    body = struct.pack(">H", len(url)) + url + b"\0\7DEFAULT" + b"\0\0" + b"\0"
    return (
        struct.pack(">BB3sH3s2sH", 2, 11, (16 + len(body)).to_bytes(3), 0, bytes(3), request[10:12], 2)
        + b"en"
        + body
    )


def discovery(probe: bytes) -> bytes | None:
    """Only the draft's namespace is understood."""
    found = re.search(rb"<a:MessageID>(.+?)</a:MessageID>", probe)
    draft = b"http://schemas.xmlsoap.org/ws/2005/04/discovery"
    if found is None or draft not in probe:
        return None
    return (
        b'<s:Envelope xmlns:s="http://www.w3.org/2003/05/soap-envelope" xmlns:d="' + draft + b'"'
        b' xmlns:a="http://schemas.xmlsoap.org/ws/2004/08/addressing"><s:Header><a:RelatesTo>' + found[1] +
        b"</a:RelatesTo></s:Header><s:Body><d:ProbeMatches><d:ProbeMatch><d:Types>x:Device</d:Types></d:ProbeMatch>"
        b"</d:ProbeMatches></s:Body></s:Envelope>"
    )  # fmt: skip


def llmnr(question: bytes) -> bytes:
    """RFC 4795 section 2.1.1: the response bit and nothing else."""
    return (
        question[:2]
        + b"\x80\0"
        + question[4:6]
        + b"\0\1\0\0\0\0"
        + question[12:]
        + (b"\xc0\x0c" + struct.pack(">HHIH", 12, 1, 10, 6) + b"\x04demo\0")
    )


RESPONDERS = {
    ("239.255.255.250", 1900): ssdp,
    ("224.0.0.251", 5353): dns,
    ("239.255.255.253", 427): slp,
    ("239.255.255.250", 3702): discovery,
    ("224.0.0.252", 5355): llmnr,
}


def respond() -> None:
    """Sockets bound to a group get what goes to the group, and leave the unicast port unreachable."""
    import select

    waiting = {}
    for (group, port), answer in RESPONDERS.items():
        sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((group, port))
        member = socket.inet_aton(group) + socket.inet_aton(ANSWERS)
        sock.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, member)
        waiting[sock] = answer
    speakers = {}
    for address in (ANSWERS, OUTSIDE):
        speakers[address] = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        speakers[address].bind((address, 0))
    until = time.monotonic() + 60
    while time.monotonic() < until:
        for sock in select.select(list(waiting), [], [], 1)[0]:
            data, peer = sock.recvfrom(4096)
            reply = waiting[sock](data)
            for address, speaker in speakers.items():
                if reply and (address == ANSWERS or waiting[sock] is ssdp):
                    speaker.sendto(reply, peer)


def other_side(ready: int, go: int) -> None:
    """A namespace of its own, in the child."""
    if ctypes.CDLL(None, use_errno=True).unshare(CLONE_NEWNET):
        raise OSError(ctypes.get_errno(), "unshare")
    os.write(ready, b"1")
    os.read(go, 1)
    for address in (ANSWERS, SILENT, OUTSIDE):
        ip("address", "add", f"{address}/24", "dev", "theirs")
    ip("link", "set", "theirs", "up")
    Path("/proc/sys/net/ipv4/icmp_ratelimit").write_text("0")  # each unreachable port says so
    os.write(ready, b"1")
    respond()


def main(folder: Path, grants: list[str]) -> None:
    ready, told = os.pipe()
    go, tell = os.pipe()
    child = os.fork()
    if not child:
        try:
            other_side(told, go)
        finally:
            os._exit(1)
    try:
        os.read(ready, 1)
        ip("link", "set", "lo", "up")
        ip("link", "add", "ours", "type", "veth", "peer", "name", "theirs", "netns", str(child))
        ip("address", "add", f"{OURS}/24", "dev", "ours")
        ip("link", "set", "ours", "up")
        os.write(tell, b"1")
        os.read(ready, 1)
        scope = folder / "scope.yaml"
        scope.write_text(
            "scope: hardenprobe.scope/1\nname: link\nauthorised_by: the test itself\nuntil: 2099-12-31\n"
            f"networks: [198.18.0.0/28]\ntranslated: false\ngrants: [{', '.join(map(repr, grants))}]\n"
        )
        listed = folder / "inventory.yaml"
        listed.write_text(
            "inventory: hardenprobe.inventory/1\ndevices:\n"
            + "".join(f"  - {{asset_tag: {a}, addresses: [{a}]}}\n" for a in (ANSWERS, SILENT))
        )
        scan = [
            "scan",
            ANSWERS,
            SILENT,
            "--scope",
            str(scope),
            "--inventory",
            str(listed),
            "--no-plugins",
            "--ports",
            "80",
        ]
        with (folder / "plan.txt").open("w") as plan, redirect_stdout(plan):
            cli.run([*scan, "--dry-run"])
        kept = ["--store", str(folder / "store.db"), "--json", str(folder / "review.json")]
        cli.run([*scan, *kept, *(["--capture", str(folder / "scan.pcap")] if grants else [])])
    finally:
        os.kill(child, 9)
        os.waitpid(child, 0)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
