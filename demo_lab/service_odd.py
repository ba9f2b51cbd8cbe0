"""Odd services: TFTP, NTP, SMB negotiation, a remote screen, daytime."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import ClassVar, Literal

from hardenprobe.demo_lab.service import Answer, Host, Service, Talk


@dataclass(frozen=True, kw_only=True)
class Tftp(Service, speaks="tftp"):
    """A file server that has no file; like any, it answers from a new port (RFC 1350 sections 4 and 5)."""

    transport: ClassVar[Literal["tcp", "udp"]] = "udp"
    answers_from_new_port: ClassVar[bool] = True

    port: int = 69

    def answerer(self, host: Host) -> Answer:
        return lambda data: b"\0\5\0\1File not found\0" if data[:2] == b"\0\1" else None


@dataclass(frozen=True, kw_only=True)
class Ntp(Service, speaks="ntp"):
    """A time server (RFC 5905 section 7.3).

    Attributes:
        control: Answer mode 6 queries, too (RFC 9327).
        private: Answer mode 7 queries with an error.
    """

    transport: ClassVar[Literal["tcp", "udp"]] = "udp"

    port: int = 123
    control: bool = False
    private: bool = False

    def answerer(self, host: Host) -> Answer:
        def answer(data: bytes) -> bytes | None:
            mode = data[0] & 7 if data else 0
            if mode == 3 and len(data) >= 48:
                seconds = int(host.now().timestamp()) + 2208988800  # RFC 5905 section 6: since 1900
                stamp = struct.pack(">II", seconds, 0)
                return bytes((0x24, 2, 6, 0xEC)) + bytes(8) + b"LOCL" + stamp + data[40:48] + stamp + stamp
            if mode == 6 and self.control and len(data) >= 12:
                text = (
                    b'version="timed 1.0", processor="unknown", system="unknown", stratum=2, refid=LOCL\r\n'
                )
                text += bytes(-len(text) % 4)
                return (
                    data[:1]
                    + bytes((0x80 | data[1] & 0x1F,))
                    + data[2:8]
                    + struct.pack(">HH", 0, len(text))
                    + text
                )
            if mode == 7 and self.private and len(data) >= 8:
                return bytes((0x80 | data[0],)) + data[1:4] + struct.pack(">HH", 0x3000, 0)  # no data
            return None

        return answer


def _smb1_answer(request: bytes, accepts: bool, signing: str) -> bytes:
    """MS-CIFS section 2.2.4.52.2, without extended security."""
    head = request[:4] + b"\x72" + bytes(4) + b"\x80" + b"\x01\xc0" + request[12:32]
    if not accepts:
        return head + b"\x01\xff\xff" + b"\0\0"
    mode = 0x03 | {"off": 0, "enabled": 0x04, "required": 0x0C}[signing]
    words = struct.pack("<HBHHIIIIQhB", 0, mode, 50, 1, 16644, 65536, 0, 0x40 | 0x10, 0, 0, 8)
    return head + b"\x11" + words + struct.pack("<H", 12) + bytes(8) + b"\0\0\0\0"


def _smb2_answer(request: bytes, signing: str) -> bytes:
    """MS-SMB2 section 2.2.4, dialect 3.0.2, no contexts."""
    head = request[:8] + bytes(4) + request[12:14] + struct.pack("<HII", 1, 1, 0) + request[24:32] + bytes(32)
    mode = {"off": 0, "enabled": 1, "required": 3}[signing]
    body = struct.pack("<HHHH16sIIII", 65, mode, 0x0302, 0, bytes(range(16)), 0, 65536, 65536, 65536)
    return head + body + bytes(16) + struct.pack("<HHI", 128, 0, 0)


@dataclass(frozen=True, kw_only=True)
class Smb(Service, speaks="smb"):
    """A file server that negotiates and goes no further.

    Attributes:
        version1: It agrees on NT LM 0.12, answers that no dialect suits, or closes.
        signing: What its security mode says.
    """

    port: int = 445
    version1: Literal["agrees", "refuses", "closes"] = "closes"
    signing: Literal["off", "enabled", "required"] = "required"

    async def serve(self, talk: Talk) -> None:
        data = b""
        while len(data) < 8 or len(data) < 4 + int.from_bytes(data[1:4]):
            piece = await talk.some()
            if not piece:
                return
            data += piece
        request = data[4:]
        if request[:4] == b"\xfeSMB":
            answer = _smb2_answer(request, self.signing)
        elif request[:4] == b"\xffSMB" and self.version1 != "closes":
            answer = _smb1_answer(request, self.version1 == "agrees", self.signing)
        else:
            return
        await talk.say(len(answer).to_bytes(4) + answer)
        await talk.some()


@dataclass(frozen=True, kw_only=True)
class RemoteScreen(Service, speaks="remote-screen"):
    """A panel at a distance (RFC 6143 section 7.1). No session ever begins.

    Attributes:
        types: Security types offered: 1 is None, 2 a password. Version 3.3 offers the first alone; empty turns everybody away.
    """

    port: int = 5900
    version: Literal["3.3", "3.7", "3.8"] = "3.8"
    types: tuple[int, ...] = (2,)

    async def serve(self, talk: Talk) -> None:
        await talk.say(f"RFB 003.00{self.version[-1]}\n".encode())
        if await talk.line() is None:
            return
        reason = b"Too many sessions"
        if self.version == "3.3":
            await talk.say(struct.pack(">I", self.types[0] if self.types else 0))
        else:
            await talk.say(bytes((len(self.types), *self.types)))
        if not self.types:
            await talk.say(struct.pack(">I", len(reason)) + reason)
        await talk.some()


@dataclass(frozen=True, kw_only=True)
class SmallDatagrams(Service, speaks="small-datagrams"):
    """Echo (RFC 862), daytime (RFC 867), quote of the day (RFC 865) or chargen (RFC 864), by its port."""

    transport: ClassVar[Literal["tcp", "udp"]] = "udp"

    def fault(self) -> str | None:
        return None if self.port in (7, 13, 17, 19) else f"no small service has port {self.port}"

    def answerer(self, host: Host) -> Answer:
        lines = {
            13: host.now().strftime("%A, %B %d, %Y %H:%M:%S-UTC\r\n").encode(),
            17: b"The tide waits for the gauge.\r\n",
            19: bytes(0x21 + n % 94 for n in range(72)) + b"\r\n",
        }
        return lambda data: lines.get(self.port, data)


@dataclass(frozen=True, kw_only=True)
class Daytime(Service, speaks="daytime"):
    """Says the time and hangs up (RFC 867)."""

    port: int = 13

    async def serve(self, talk: Talk) -> None:
        await talk.say(talk.host.now().strftime("%A, %B %d, %Y %H:%M:%S-UTC\r\n").encode())
