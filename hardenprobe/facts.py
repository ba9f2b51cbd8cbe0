"""What probes can see: one frozen record per kind of observation.

Facts carry what was asked and what came back, never a judgement. Every text that a device wrote is hostile: it is cut
to size and decoded so that no control byte is lost, and whoever shows it must escape it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from hardenprobe.model import State

C = TypeVar("C")

KINDS: dict[str, type[Any]] = {}


def facts(kind: str) -> Callable[[type[C]], type[C]]:
    """Register a record of facts under its stable kind, the word that stored observations carry.

    Raises:
        ValueError: Another class has the kind already, or the record has a field named kind.
    """

    def register(cls: type[C]) -> type[C]:
        if "kind" in getattr(cls, "__annotations__", {}):
            raise ValueError(
                f"{cls.__qualname__} has a field named kind, which is the observation's own word"
            )
        known = KINDS.setdefault(kind, cls)
        if known is not cls and (known.__module__, known.__qualname__) != (cls.__module__, cls.__qualname__):
            raise ValueError(f"observation kind {kind!r} belongs to {known.__module__}.{known.__qualname__}")
        KINDS[kind] = cls
        cls.kind = kind  # type: ignore[attr-defined]
        return cls

    return register


def readable(data: bytes, limit: int = 512) -> str:
    """Decode what a device wrote: UTF-8 where it is, `\\xNN` where it is not, cut at `limit` bytes."""
    return data[:limit].decode("utf-8", "backslashreplace")


@facts("tcp-port")
@dataclass(frozen=True, kw_only=True)
class TcpPort:
    """A TCP port that was connected to and listened at; nothing was sent.

    Attributes:
        state: What the port did.
        greeting: What it said unasked, device text; "" where it said nothing.
        speaks: Protocol recognised from the greeting alone (telnet, ftp, smtp, ssh, rfb), else None.
        closed: It accepted and closed at once without a byte: how some allow-lists refuse.
        tries: Connections made to tell the state.
        control: A random high port on which nothing should accept.
    """

    state: State
    greeting: str = ""
    speaks: str | None = None
    closed: bool = False
    tries: int = 1
    control: bool = False

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return self.speaks is not None


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


@dataclass(frozen=True, kw_only=True)
class Cookie:
    """A cookie that looks like a session; its value is never kept.

    Attributes:
        name: Device text.
        secure, http_only: The attributes of RFC 6265 section 4.1.2.5 and 4.1.2.6.
    """

    name: str
    secure: bool
    http_only: bool


@facts("http-answer")
@dataclass(frozen=True, kw_only=True)
class HttpAnswer:
    """The answer to one GET, redirects not followed, body reduced to what a verdict needs.

    Attributes:
        tls: Asked over TLS.
        status: Status code, None where no HTTP came back.
        location: Location header as sent, device text.
        authenticate: WWW-Authenticate schemes, lower case.
        title: Page title, device text.
        form: The page holds a form.
        password_field: The page holds a password field.
        cookies: Those of Set-Cookie that look like a session.
        body_length: Bytes of body that were read.
        body_sha256: Digest of those bytes.
        fault: Why there is no status ("closed", "silent", "not HTTP: ...").
    """

    tls: bool
    path: str
    status: int | None
    location: str | None = None
    authenticate: tuple[str, ...] = ()
    title: str | None = None
    form: bool = False
    password_field: bool = False
    server: str | None = None
    date: str | None = None
    strict_transport: str | None = None
    cookies: tuple[Cookie, ...] = ()
    body_length: int = 0
    body_sha256: str | None = None
    fault: str | None = None

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return self.status is not None


@facts("snmp-answer")
@dataclass(frozen=True, kw_only=True)
class SnmpAnswer:
    """The answer to one GetRequest under one community and version.

    Attributes:
        version: "1" or "2c".
        label: How the community may be named in a report: itself for a published default, else a neutral label.
        origin: default (a published default), supplied (the fleet's own) or control (a random one).
        state: accepting (answered), refusing (port unreachable) or silent.
        error_status: SNMP error-status of the response, 0 for none, None without a response.
        values: Object id to value, device text; empty where the view is narrow.
        fault: Why a reply could not be read.
    """

    version: str
    label: str
    origin: str
    state: State
    error_status: int | None = None
    values: dict[str, str] | None = None
    fault: str | None = None


@facts("snmp-engine")
@dataclass(frozen=True, kw_only=True)
class SnmpEngine:
    """The answer to an SNMPv3 engine discovery (RFC 3414 section 4).

    Attributes:
        engine_id: Hex, None without an answer.
        report: Object id of the report, None where the answer was no report.
    """

    state: State
    engine_id: str | None = None
    boots: int | None = None
    time: int | None = None
    report: str | None = None
    fault: str | None = None


@facts("declared-allow-list")
@dataclass(frozen=True, kw_only=True)
class DeclaredAllowList:
    """A list of admitted sources as the inventory declares it for a device.

    Attributes:
        services: Words of ports.SERVICES, for example ("http", "https").
        entries: As written: address, CIDR or first-last.
        approved: The site's approved networks; empty where the inventory names none.
        position: Which of the device's lists, from 1.
        source: The file.
        copied: The list letter for letter as the device's settings show it; empty where nobody copied it.
    """

    services: tuple[str, ...]
    entries: tuple[str, ...]
    position: int
    approved: tuple[str, ...]
    source: str
    copied: tuple[str, ...] = ()


@facts("declared-device")
@dataclass(frozen=True, kw_only=True)
class DeclaredDevice:
    """What the inventory says of a device, as far as a verdict may rest on it.

    Attributes:
        pinned_key: SHA-256 of the SubjectPublicKeyInfo that its certificate must show, hex.
        source: The file.
    """

    asset_tag: str
    device_kind: str
    names: tuple[str, ...] = ()
    criticality: str | None = None
    fragile: bool = False
    pinned_key: str | None = None
    source: str = ""


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
