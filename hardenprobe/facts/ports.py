"""What a port does when it is connected to, and what it says unasked."""

from __future__ import annotations

from dataclasses import dataclass

from hardenprobe.model import State
from hardenprobe.model.kinds import facts


@facts("tcp-port")
@dataclass(frozen=True, kw_only=True)
class TcpPort:
    """A TCP port that was connected to and listened at; nothing was sent.

    Attributes:
        state: What the port did.
        greeting: What it said unasked, device text; "" where it said nothing.
        speaks: Protocol recognised from the greeting alone (telnet, ftp, smtp, ssh, rfb), else None.
        changes: A second connection was greeted in another protocol; `speaks` is then telnet, if either was, or None.
        closed: It accepted and closed at once without a byte: how some allow-lists refuse.
        reserved: Asked from a source port below 1024, without which some services close at once (RFC 1282).
        tries: Connections made to tell the state.
        control: A random high port on which nothing should accept.
    """

    state: State
    greeting: str = ""
    speaks: str | None = None
    changes: bool = False
    closed: bool = False
    reserved: bool = False
    tries: int = 1
    control: bool = False

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return self.speaks is not None and not self.changes


@facts("telnet-greeting")
@dataclass(frozen=True, kw_only=True)
class TelnetGreeting:
    """What a telnet server says first. Negotiation is never answered.

    Attributes:
        negotiates: The greeting holds RFC 854 commands.
        text: The rest of it, device text.
        prompt: The login prompt found in the text, None where there is none.
    """

    negotiates: bool
    text: str
    prompt: str | None


@facts("ftp-session")
@dataclass(frozen=True, kw_only=True)
class FtpSession:
    """An FTP greeting, and the reply to one USER with a random name.

    Attributes:
        greeting_code: Reply code of RFC 959, None where there was none.
        user_code: Reply code to USER in clear, None where USER was not sent or not answered.
        user_text: That reply, device text.
        asked: Whether USER was sent at all.
    """

    greeting_code: int | None
    greeting_text: str
    user_code: int | None = None
    user_text: str = ""
    asked: bool = False

    @property
    def denies(self) -> bool:
        """The port had greeted as FTP, and on this connection it did not."""
        return self.greeting_code is None


@facts("mail-server")
@dataclass(frozen=True, kw_only=True)
class MailServer:
    """What a mail server offers before TLS (RFC 5321 section 4.1.1.1).

    Attributes:
        greeted: EHLO was answered.
        extensions: Keywords of the reply to EHLO, upper case, device text.
        mechanisms: Of AUTH (RFC 4954), upper case, device text.
        fault: Why EHLO was not answered: "closed", "silent", or what is wrong.
    """

    greeted: bool = False
    extensions: tuple[str, ...] = ()
    mechanisms: tuple[str, ...] = ()
    fault: str | None = None


@facts("probe-fault")
@dataclass(frozen=True, kw_only=True)
class ProbeFault:
    """A probe could not finish.

    Attributes:
        probe: Its name.
        kinds: The kinds of observation that are missing for it.
        reason: A word of records.Reason.
        text: One line for people; a traceback stays in the log.
    """

    probe: str
    kinds: tuple[str, ...]
    reason: str
    text: str
