"""What datagram questions and the odd TCP services bring: one record for each protocol, alike where they are alike."""

from __future__ import annotations

from dataclasses import dataclass

from hardenprobe.model import State
from hardenprobe.model.kinds import facts

USER_KEYS = frozenset({"u", "user", "username"})
PASSWORD_KEYS = frozenset({"p", "pass", "passwd", "password", "pwd"})
"""Names under which a DNS-SD TXT record carries who may sign in. u and p: IANA Service Name and Transport Protocol Port
Number Registry, notes on ftp, http, ssh and telnet; the others: common practice (no published requirement)."""


@dataclass(frozen=True, kw_only=True)
class Datagram:
    """One request in a datagram, and its answer.

    Attributes:
        question: What was asked, in words.
        state: accepting (there was an answer), refusing (port unreachable) or silent.
        says: What a well-formed reply to this very question says, device text; None without one.
        sent, received: UDP payload, bytes.
        group: The service's multicast group was asked on the device's own link, and not the device itself.
        fault: Why the answer is not a reply of this protocol.
    """

    question: str
    state: State
    says: str | None = None
    sent: int = 0
    received: int = 0
    group: bool = False
    fault: str | None = None

    @property
    def answered(self) -> bool:
        """The answer is a reply of the protocol to this request."""
        return self.says is not None

    @property
    def amplification(self) -> float:
        """UDP payload bytes out of the device over those into it (US-CERT alert TA14-017A)."""
        return round(self.received / self.sent, 1) if self.sent else 0.0


@facts("mdns-answer")
@dataclass(frozen=True, kw_only=True)
class MdnsAnswer(Datagram):
    """The answer to one multicast-DNS question (RFC 6762)."""


@facts("llmnr-answer")
@dataclass(frozen=True, kw_only=True)
class LlmnrAnswer(Datagram):
    """The answer to one LLMNR question (RFC 4795), over UDP or, where the endpoint says so, TCP."""

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return self.answered


@facts("slp-answer")
@dataclass(frozen=True, kw_only=True)
class SlpAnswer(Datagram):
    """The answer to one SLP service request (RFC 2608)."""


@facts("ws-discovery-answer")
@dataclass(frozen=True, kw_only=True)
class WsDiscoveryAnswer(Datagram):
    """The answer to one WS-Discovery probe."""


@facts("ssdp-answer")
@dataclass(frozen=True, kw_only=True)
class SsdpAnswer(Datagram):
    """The answer to one SSDP search (UPnP Device Architecture)."""


@facts("netbios-answer")
@dataclass(frozen=True, kw_only=True)
class NetbiosAnswer(Datagram):
    """The answer to one NetBIOS node status request (RFC 1002)."""


@facts("ntp-control-answer")
@dataclass(frozen=True, kw_only=True)
class NtpControlAnswer(Datagram):
    """The answer to one NTP query of a mode that is not for the time.

    Attributes:
        mode: 6 (control) or 7 (private).
    """

    mode: int


@facts("tftp-answer")
@dataclass(frozen=True, kw_only=True)
class TftpAnswer(Datagram):
    """The answer to one TFTP read request for a file that does not exist (RFC 1350)."""


@facts("small-service-answer")
@dataclass(frozen=True, kw_only=True)
class SmallServiceAnswer(Datagram):
    """The answer to one datagram to a small service of the early network (RFC 862, 864, 865 and 867).

    Attributes:
        service: echo, daytime, quote or chargen.
    """

    service: str


@facts("dns-sd-text")
@dataclass(frozen=True, kw_only=True)
class DnsSdText:
    """The TXT record of one published service instance (RFC 6763 section 6). Values are not kept but one.

    Attributes:
        instance: Name of the record, device text.
        keys: Its keys in lower case, device text.
        filled: Those of them that have a value.
        scan_root: Of a scan service, the value of "rs", device text: the path below which it answers; common practice, no
            source.
    """

    instance: str
    keys: tuple[str, ...]
    filled: tuple[str, ...]
    scan_root: str | None = None


@facts("smb-negotiation")
@dataclass(frozen=True, kw_only=True)
class SmbNegotiation:
    """The answer to one SMB negotiation; no session follows.

    Attributes:
        asked: "1" (NT LM 0.12 alone) or "2" (every dialect of versions 2 and 3).
        answered: The answer is an SMB message.
        dialect: What was agreed on, None where nothing was.
        signing_required: From the security mode, None where nothing was agreed on.
        session: On 139/tcp, the answer to the request for a session that goes before it: "positive" or "negative"; None
            where none came, and on 445/tcp.
        fault: Why there is no answer ("closed", "silent", or what could not be read).
    """

    asked: str
    answered: bool
    dialect: str | None = None
    signing_required: bool | None = None
    session: str | None = None
    fault: str | None = None

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return self.answered or self.session is not None


@facts("web-services")
@dataclass(frozen=True, kw_only=True)
class WebServices:
    """The answer to one GET at the port of web services for devices, which asks for nothing that they have.

    Attributes:
        status: HTTP status code, None where the answer is not HTTP.
        fault: Why there is none.
    """

    status: int | None
    fault: str | None = None

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return self.status is not None


@facts("rfb-security")
@dataclass(frozen=True, kw_only=True)
class RfbSecurity:
    """What a remote screen offers after its greeting (RFC 6143 section 7.1.2). Nothing is chosen.

    Attributes:
        version: As greeted, such as "3.8"; "" where this connection was not greeted as RFB.
        types: Security types offered; empty where the server turned us away.
        reason: Why it did, device text.
        fault: Why no list came.
    """

    version: str
    types: tuple[int, ...] = ()
    reason: str = ""
    fault: str | None = None

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return bool(self.version)

    @property
    def denies(self) -> bool:
        """The port had greeted as RFB, and on this connection it did not."""
        return not self.version
