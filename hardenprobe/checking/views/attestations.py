"""What was seen of a device that bears on what people state of it, control by control. Silence bears on nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from hardenprobe.checking.check import DeviceView
from hardenprobe.checking.views.web import leads_to_https
from hardenprobe.facts import (
    FtpSession,
    HttpAnswer,
    IppJobs,
    RfbSecurity,
    ServiceUsed,
    SettingsPageAnswer,
    SnmpAnswer,
    TelnetGreeting,
    TftpAnswer,
)
from hardenprobe.model import Observation, State, Transport

# An observation that bears on a statement, and what it says against it; "" where it agrees.
Bearing = Iterator[tuple[Observation[Any], str]]


def _administrator_password(seen: DeviceView) -> Bearing:
    for page in seen.of(SettingsPageAnswer):
        facts = page.facts
        if facts.marker_found and not facts.password_field and facts.status in range(200, 300):
            yield page, f"{facts.path} shows its settings without credentials"
        elif facts.status in (401, 403) or (facts.password_field and not facts.marker_found):
            yield page, ""


def _communities(seen: DeviceView) -> Bearing:
    for answer in seen.of(SnmpAnswer):
        facts = answer.facts
        if facts.origin in ("default", "control") and facts.error_status is not None:
            which = f"community {facts.label!r}" if facts.origin == "default" else "a random community"
            yield answer, f"{which} is answered in SNMP version {facts.version}"
        elif facts.origin == "default" and facts.state is State.REFUSING:
            yield answer, ""


def _cleartext(seen: DeviceView) -> Bearing:
    yield from ((o, "telnet answers") for o in seen.of(TelnetGreeting))
    yield from ((o, "FTP answers") for o in seen.of(FtpSession) if o.facts.greeting_code == 220)
    yield from ((o, "TFTP answers") for o in seen.of(TftpAnswer) if o.facts.state is State.ACCEPTING)
    refusing = {o.endpoint.port: o for o in seen.tcp_ports if o.endpoint and o.facts.state is State.REFUSING}
    unreachable = [o for o in seen.of(TftpAnswer) if o.facts.state is State.REFUSING]
    if {21, 23} <= set(refusing) and unreachable:
        yield refusing[23], ""


def _management(seen: DeviceView) -> Bearing:
    yield from ((o, "telnet answers") for o in seen.of(TelnetGreeting))
    for page in seen.of(HttpAnswer):
        facts = page.facts
        if not facts.tls and (facts.password_field or facts.status == 401):
            yield page, f"{facts.path} asks for a password over plain HTTP"
        elif not facts.tls and leads_to_https(facts):
            yield page, ""


def _job_names(seen: DeviceView) -> Bearing:
    for answer in seen.of(IppJobs):
        if answer.facts.names or answer.facts.users:
            yield answer, "names of jobs or users are shown without signing in"
        elif answer.facts.jobs or answer.facts.http_status in (401, 403):
            yield answer, ""


def _panel(seen: DeviceView) -> Bearing:
    for screen in seen.of(RfbSecurity):
        if screen.facts.types:
            yield screen, "the screen opens without authentication" if 1 in screen.facts.types else ""


BEARING: dict[str, Callable[[DeviceView], Bearing]] = {
    "administrator-password-set": _administrator_password,
    "snmp-communities-changed": _communities,
    "cleartext-protocols-off": _cleartext,
    "management-encrypted": _management,
    "job-names-private": _job_names,
    "panel-over-network-limited": _panel,
}

USED: Mapping[str, frozenset[tuple[Transport, int]]] = {
    "cleartext-protocols-off": frozenset({("tcp", 21), ("tcp", 23), ("udp", 69)}),
    "unencrypted-printing-unused": frozenset({("tcp", 515), ("tcp", 9100)}),
}
"""Control to the services whose use contradicts it."""


def contradicted_by_use(control: str, made: str, seen: DeviceView) -> Bearing:
    """Use of a service that a statement says is off or unused, on a later day than it was made; use never agrees with one.

    Args:
        made: Day, ISO 8601.
    """
    for one in seen.of(ServiceUsed):
        used = one.facts
        if (used.transport, used.port) in USED.get(control, ()) and used.last[:10] > made:
            number = f"{used.clients} client{'s' if used.clients != 1 else ''}"
            where = f" ({'; '.join(used.places)})" if used.places else ""
            yield one, f"{used.port}/{used.transport} was used by {number}, last on {used.last[:10]}{where}"
