"""The small old services: telnet, FTP, line printer daemon, raw print, echo, and one that says nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from hardenprobe.demo_lab.service import Service, Talk

GREETING = bytes.fromhex(
    "fffb01fffb03"
)  # RFC 854: IAC WILL ECHO (RFC 857), IAC WILL SUPPRESS-GO-AHEAD (RFC 858)


@dataclass(frozen=True, kw_only=True)
class Telnet(Service, speaks="telnet"):
    """A login that always fails.

    Attributes:
        negotiates: Begin with RFC 854 commands; otherwise only with the prompt.
    """

    port: int = 23
    negotiates: bool = True

    async def serve(self, talk: Talk) -> None:
        await talk.say((GREETING if self.negotiates else b"") + b"\r\nDevice console\r\nlogin: ")
        for prompt in (b"Password: ", b"\r\nLogin incorrect\r\nlogin: ") * 3:
            if await talk.line() is None:
                return
            await talk.say(prompt)


@dataclass(frozen=True, kw_only=True)
class Ftp(Service, speaks="ftp"):
    """A file server that takes user names and lets hardly anybody in (RFC 959).

    Attributes:
        variant: `clear` asks for the password at once; `demands-tls` first wants AUTH TLS (RFC 4217); `anonymous` lets
            anonymous in with any password (RFC 1635).
    """

    port: int = 21
    variant: Literal["clear", "demands-tls", "anonymous"] = "clear"

    @property
    def needs_certificate(self) -> bool:
        return self.variant == "demands-tls"

    async def serve(self, talk: Talk) -> None:
        await talk.say(b"220 File service ready\r\n")
        guest = False
        while (line := await talk.line()) is not None:
            verb = line.split(b" ", 1)[0].upper()
            if verb == b"QUIT":
                await talk.say(b"221 Goodbye\r\n")
                return
            if verb == b"AUTH" and self.needs_certificate and not talk.encrypted:
                await talk.say(b"234 Proceed with negotiation\r\n")
                assert talk.host.context is not None
                await talk.writer.start_tls(talk.host.context)
                talk.encrypted = True
                continue
            if verb == b"USER":
                guest = self.variant == "anonymous" and line[5:].strip().lower() == b"anonymous"
            granted = verb == b"PASS" and guest
            await talk.say(b"230 Guest login ok\r\n" if granted else self._reply(verb, talk.encrypted))

    def _reply(self, verb: bytes, encrypted: bool) -> bytes:
        if verb == b"USER" and self.variant == "demands-tls" and not encrypted:
            return b"530 TLS is required before a user name (AUTH TLS)\r\n"
        replies = {
            b"USER": b"331 Password required\r\n",
            b"PASS": b"530 Login incorrect\r\n",
            b"NOOP": b"200 OK\r\n",
            b"SYST": b"215 UNKNOWN Type: L8\r\n",
            b"PBSZ": b"200 PBSZ=0\r\n",
            b"PROT": b"200 OK\r\n",
            b"AUTH": b"502 AUTH is not implemented\r\n",
        }
        return replies.get(verb, b"530 Please log in\r\n")


@dataclass(frozen=True, kw_only=True)
class Lpd(Service, speaks="lpd"):
    """A line printer daemon that tells its queue state and takes no job (RFC 1179 section 5)."""

    port: int = 515

    async def serve(self, talk: Talk) -> None:
        line = await talk.line()
        if line and line[:1] in (b"\x03", b"\x04"):  # sections 5.3 and 5.4: queue state, short and long
            queue = line[1:].split(b" ")[0].decode("ascii", "replace")[:32]
            await talk.say(f"{queue or 'queue'}: ready, no entries\n".encode("ascii", "replace"))


@dataclass(frozen=True, kw_only=True)
class RawPrint(Service, speaks="raw-print"):
    """A port that would print every byte it receives. It never answers, and counts."""

    port: int = 9100

    async def serve(self, talk: Talk) -> None:
        while data := await talk.some():
            talk.host.raw_bytes += len(data)


@dataclass(frozen=True, kw_only=True)
class Echo(Service, speaks="echo"):
    """Sends back what it receives (RFC 862)."""

    port: int = 7

    async def serve(self, talk: Talk) -> None:
        while data := await talk.some():
            await talk.say(data)


@dataclass(frozen=True, kw_only=True)
class Silent(Service, speaks="silent"):
    """Accepts, and says nothing whatever it hears."""

    async def serve(self, talk: Talk) -> None:
        while await talk.some():
            pass


@dataclass(frozen=True, kw_only=True)
class Smtp(Service, speaks="smtp"):
    """A mail server that takes no mail (RFC 5321), and has no TLS.

    Attributes:
        mechanisms: What AUTH offers (RFC 4954); none for a server without AUTH.
    """

    port: int = 25
    mechanisms: tuple[str, ...] = ()

    async def serve(self, talk: Talk) -> None:
        await talk.say(b"220 mail service ready ESMTP\r\n")
        auth = f"250-AUTH {' '.join(self.mechanisms)}\r\n" if self.mechanisms else ""
        while (line := await talk.line()) is not None:
            match line.split(b" ", 1)[0].upper():
                case b"EHLO":
                    await talk.say(f"250-device\r\n{auth}250 SIZE 10485760\r\n".encode())
                case b"QUIT":
                    await talk.say(b"221 Goodbye\r\n")
                    return
                case _:
                    await talk.say(b"502 Command not implemented\r\n")


@dataclass(frozen=True, kw_only=True)
class Ldap(Service, speaks="ldap"):
    """A directory server that knows no StartTLS, and nothing else (RFC 4511 sections 4.1.9 and 4.14.2)."""

    port: int = 389

    async def serve(self, talk: Talk) -> None:
        if await talk.reader.read(4096):
            # LDAPMessage 1, ExtendedResponse with protocolError (2), no matched name, no message
            await talk.say(bytes.fromhex("300c02010178070a010204000400"))
            await talk.reader.read(4096)
