"""What a service says over TCP, heard beside its clients: greetings, logins in clear, negotiations."""

from __future__ import annotations

import re
from typing import Any

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import FtpSession, SmbNegotiation, TcpPort, readable
from hardenprobe.listening.heard import Heard, Said, starred
from hardenprobe.listening.streams import Listener
from hardenprobe.listening.tls import Handshake, TlsPorts
from hardenprobe.listening.web import Web
from hardenprobe.model import State
from hardenprobe.probes import packets
from hardenprobe.probes.files import ftp, smb
from hardenprobe.probes.remote import telnet
from hardenprobe.probes.tcp import LIMIT, recognise

_HTTP = re.compile(rb"(?:GET|HEAD|POST|PUT|OPTIONS|DELETE|PATCH|PROPFIND) [^\r\n ]")
_TLS = b"\x16\x03"
COMMANDS = 64  # of one FTP session that are heard
MESSAGE = 65536  # bytes of one SMB message before it counts as none of a negotiation


class Service:
    """Hears one connection to a port of a device, and finds out what is spoken.

    Args:
        port: As assigned.
    """

    def __init__(self, heard: Heard, tls: TlsPorts, port: int) -> None:
        self.done = False
        self._heard, self._tls, self._port = heard, tls, port
        self._greeting = self._asked = b""
        self._greeted = 0.0
        self._inner: Listener | None = None
        self._told = True  # nothing yet

    @property
    def held(self) -> int:
        """Bytes that are not understood yet."""
        return len(self._greeting) + len(self._asked) + (self._inner.held if self._inner else 0)

    def accepted(self, seconds: float) -> None:
        """The port is open; what it says of itself is yet to come."""
        self._told = False
        self._greeted = seconds

    def heard(self, by_client: bool, data: bytes, seconds: float) -> None:
        """One side spoke."""
        if self._inner is not None:
            self._inner.heard(by_client, data, seconds)
            self.done = self._inner.done
        elif not by_client:
            if not self._greeting:
                self._greeted = seconds
            self._greeting += data
            if len(self._greeting) >= LIMIT:
                self._tell(True)
                self._greeting = self._greeting[:LIMIT]
                self.done = recognise(self._greeting) not in ("ftp", "smtp")
        else:
            self._client(data, seconds)

    def missed(self, by_client: bool) -> None:
        """What was heard until then counts."""
        self._tell(not by_client and bool(self._greeting))
        if self._inner is not None:
            self._inner.missed(by_client)
        self.done = True

    def closed(self, by_client: bool, seconds: float) -> None:
        """One side left."""
        if self._inner is not None:
            self._inner.closed(by_client, seconds)
            self.done = self._inner.done
            return
        self._tell(bool(self._greeting), closed=not by_client and not self._greeting and not self._asked)
        self.done = True

    def _client(self, data: bytes, seconds: float) -> None:
        if not self._asked and self._greeting and not telnet.split(data)[1]:
            return  # options of telnet, before anything is typed
        self._asked += data
        if len(self._asked) < 4 and not self._greeting:
            return
        self._tell(bool(self._greeting))
        self._inner = self._spoken()
        if self._inner is None:
            self.done = True
            return
        if isinstance(self._inner, Ftp):
            self._inner.heard(False, self._greeting, self._greeted)
        self._inner.heard(True, self._asked, seconds)
        self.done = self._inner.done
        self._asked = b""

    def _spoken(self) -> Listener | None:
        if self._greeting:
            return Ftp(self._heard, self._tls, self._port) if recognise(self._greeting) == "ftp" else None
        if self._asked.startswith(_TLS):
            return Handshake(self._tls, self._port)
        if _HTTP.match(self._asked):
            return Web(self._heard, self._port)
        if self._port in (smb.PORT, smb.SESSION_PORT):
            return Smb(self._heard, self._port)
        return None

    def _tell(self, greeted: bool, *, closed: bool = False) -> None:
        """Say that the port is open, and how it greets."""
        if self._told:
            return
        self._told = True
        greeting = self._greeting[:LIMIT] if greeted else b""
        open_port(self._heard, self._port, greeting, self._greeted, closed=closed)


def open_port(heard: Heard, port: int, greeting: bytes, seconds: float, *, closed: bool = False) -> None:
    """Say that a port is open, and how it greets; of a telnet server, what its greeting is."""
    rank = -1 if closed else int(bool(greeting))
    if heard.knows(("port", port), rank):
        return
    protocol = recognise(greeting) if greeting else None
    said: list[Said] = [(seconds, "received", greeting, len(greeting))] if greeting else []
    facts: Any = TcpPort(state=State.ACCEPTING, greeting=readable(greeting), speaks=protocol, closed=closed)
    heard.keep(("port", port), heard.observe(facts, heard.at(port, protocol), seconds, said), rank)
    if protocol == "telnet":
        seen = heard.observe(telnet.read(greeting), heard.at(port, "telnet"), seconds, said)
        heard.keep(("telnet", port), seen)


class Ftp:
    """Hears an FTP session as far as its login. Nobody's name and no password is kept."""

    def __init__(self, heard: Heard, tls: TlsPorts, port: int) -> None:
        self.done = False
        self._heard, self._tls, self._port = heard, tls, port
        self._lines = self._replies = b""
        self._greeting: tuple[int, str] | None = None
        self._commands: list[tuple[str, bytes, float]] = []
        self._count = 0
        self._inner: Handshake | None = None

    @property
    def held(self) -> int:
        """Bytes that are not understood yet."""
        return len(self._lines) + len(self._replies) + (self._inner.held if self._inner else 0)

    def accepted(self, seconds: float) -> None:
        """It was known before."""

    def heard(self, by_client: bool, data: bytes, seconds: float) -> None:
        """One side spoke."""
        if self._inner is not None:
            self._inner.heard(by_client, data, seconds)
            self.done = self._inner.done
        elif by_client:
            self._lines += data
            *lines, self._lines = self._lines.split(b"\n")
            for line in lines[:COMMANDS]:
                verb, _, argument = line.strip().partition(b" ")
                self._commands.append((readable(verb[:8]).upper(), argument.strip(), seconds))
            self._count += len(lines)
        else:
            self._replies += data
            while not self.done and self._inner is None and (end := ftp.reply_end(self._replies)):
                reply, self._replies = self._replies[:end], self._replies[end:]
                self._answer(reply, seconds)
        if self._count > COMMANDS or max(len(self._lines), len(self._replies)) > ftp.LIMIT:
            self.done = True

    def missed(self, by_client: bool) -> None:
        """What was heard until then counts."""
        if self._inner is not None:
            self._inner.missed(by_client)
        self.done = True

    def closed(self, by_client: bool, seconds: float) -> None:
        """What was heard until then counts."""
        if self._inner is not None:
            self._inner.closed(by_client, seconds)
        self.done = True

    def _answer(self, reply: bytes, seconds: float) -> None:
        code = int(reply[:3])
        if self._greeting is None:
            self._greeting = (code, readable(reply.rstrip(b"\r\n")))
            return
        if code < 200 or not self._commands:
            return
        verb, argument, asked = self._commands.pop(0)
        if verb == "AUTH" and code == 234:
            self._inner = Handshake(self._tls, self._port, "ftp")
            self.done = self._inner.done
        elif verb == "USER" and argument.lower() not in (b"", b"anonymous", b"ftp"):
            self._login(argument, asked, code, reply, seconds)

    def _login(self, name: bytes, asked: float, code: int, reply: bytes, seconds: float) -> None:
        assert self._greeting is not None
        told = re.sub(re.escape(name), starred(name).replace(b"\\", b""), reply, flags=re.IGNORECASE)
        facts = FtpSession(
            greeting_code=self._greeting[0],
            greeting_text=self._greeting[1],
            user_code=code,
            user_text=readable(told.rstrip(b"\r\n")),
            asked=True,
        )
        said: list[Said] = [
            (asked, "sent", b"USER " + starred(name) + b"\r\n", len(name) + 7),
            (seconds, "received", told, len(reply)),
        ]
        where = self._heard.at(self._port, "ftp")
        rank = int(code in (230, 331, 332))
        self._heard.keep(("ftp", self._port), self._heard.observe(facts, where, asked, said), rank)
        self.done = bool(rank)


class Smb:
    """Hears an SMB negotiation."""

    def __init__(self, heard: Heard, port: int) -> None:
        self.done = False
        self._heard, self._port = heard, port
        self._data = {True: b"", False: b""}
        self._offered: tuple[str, ...] = ()
        self._session: str | None = None

    @property
    def held(self) -> int:
        """Bytes that are not understood yet."""
        return len(self._data[True]) + len(self._data[False])

    def accepted(self, seconds: float) -> None:
        """It was known before."""

    def heard(self, by_client: bool, data: bytes, seconds: float) -> None:
        """Read whole messages behind their type and length (RFC 1002 section 4.3.1, MS-SMB2 section 2.1)."""
        held = self._data[by_client] + data
        while len(held) >= 4 and not self.done:
            length = int.from_bytes(held[1:4], "big")
            if length > MESSAGE:
                self.done = True
            if len(held) < 4 + length:
                break
            kind, message, held = held[0], held[4 : 4 + length], held[4 + length :]
            if kind == smb.POSITIVE and not by_client:
                self._session = "positive"
            elif kind == 0:
                try:
                    self._message(by_client, message, seconds)
                except MalformedReply:
                    self.done = True
        self._data[by_client] = held

    def missed(self, by_client: bool) -> None:
        """What was heard until then counts."""
        self.done = True

    def closed(self, by_client: bool, seconds: float) -> None:
        """What was heard until then counts."""
        self.done = True

    def _message(self, by_client: bool, message: bytes, seconds: float) -> None:
        if by_client:
            if message.startswith(b"\xffSMB"):
                self._offered = packets.read_smb1_dialects(message)
            elif not message.startswith(b"\xfeSMB"):
                self.done = True
            return
        if message.startswith(b"\xffSMB"):
            version, (dialect, signing) = "1", packets.decode_smb1(message, self._offered)
        elif message[68:70] == b"\xff\x02":  # MS-SMB2 section 2.2.4: another negotiation follows
            return
        else:
            version, (dialect, signing) = "2", packets.decode_smb2(message)
        facts = SmbNegotiation(
            asked=version, answered=True, dialect=dialect, signing_required=signing, session=self._session
        )
        said: list[Said] = [(seconds, "received", message[:128], len(message))]
        where = self._heard.at(self._port, "smb")
        seen = self._heard.observe(facts, where, seconds, said)
        self._heard.keep(("smb", version, self._port), seen, int(dialect is not None))
        self.done = True
