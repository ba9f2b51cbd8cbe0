"""Words and device text, made fit to be shown. What a device says never reaches a screen as it is."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

from hardenprobe.model import (
    REASONS,
    Authorisation,
    Device,
    Elsewhere,
    Endpoint,
    Exchange,
    ReadCapture,
    Reason,
    RetiredSeen,
    Severity,
    SocketRecord,
)

CAUTION = (
    "Scan only networks that you are authorised to scan. Changes to devices belong to licensed or responsible "
    "people: local security policy, local codes and the device's own documentation come first; try a change on one "
    "device before the fleet."
)

SEVERITIES = (Severity.HIGH, Severity.MEDIUM, Severity.LOW)
"""The worst first: the order in which they are shown."""

SEVERITY_NOTE = "Severity words are the CVSS v2 ratings as the NVD uses them."

RISK_NOTE = (
    "Risk is the sum of the CCSS scores (NIST IR 7502: environmental, else temporal, else base) of the open findings that "
    "a remediation closes. Adding scores up is common practice (no published requirement): it orders the work and is no "
    "probability."
)

_NAMES: dict[Reason | None, str] = {
    Reason.SILENT: "no answer",
    Reason.DROPPED: "filtered port",
    Reason.CEILING: "limit reached",
    Reason.WINDOW: "outside the time window",
    Reason.SCOPE: "outside the scope",
    Reason.OFF_LINK: "off the device's link",
    Reason.NO_CREDENTIAL: "no credential",
    Reason.REACH: "not authorised at this test level",
    Reason.INCONCLUSIVE: "inconclusive response",
    Reason.CRASHED: "error",
    Reason.AMBIGUOUS: "ambiguous port state",
    Reason.NOT_SEEN: "not seen in traffic",
    None: "no reason recorded",
}

_HIDDEN = frozenset({"Cc", "Cf", "Cn", "Co", "Cs", "Zl", "Zp"})
_MARKS = frozenset({"Mn", "Me"})
_MOST_MARKS = 3  # on one letter; written languages need two, more only serve to smear over other lines


def visible(value: object, limit: int = 400) -> str:
    """Write text so that it can do nothing but be read, on one line.

    Control characters, escape sequences, bidi controls, invisible and unassigned characters, line breaks and heaps of
    combining marks are shown as `\\xNN`, `\\uNNNN` or `\\UNNNNNNNN`.

    Args:
        limit: Characters to keep; a cut is shown by an ellipsis.
    """
    text = str(value)
    cut = text[:limit]
    if cut.isascii() and cut.isprintable():
        return cut if len(text) <= limit else cut + "…"
    shown: list[str] = []
    marks = 0
    for char in cut:
        category = unicodedata.category(char)
        marks = marks + 1 if category in _MARKS else 0
        shown.append(_escape(char) if category in _HIDDEN or marks > _MOST_MARKS else char)
    if len(text) > limit:
        shown.append("…")
    return "".join(shown)


def _escape(char: str) -> str:
    point = ord(char)
    return f"\\x{point:02x}" if point < 0x100 else f"\\u{point:04x}" if point < 0x10000 else f"\\U{point:08x}"


def endpoint_text(endpoint: Endpoint | None, device: Device | None = None) -> str:
    """Say where on a device: "23/tcp", with path and name where there are any.

    The address is added where the device has several, or where the device is not known.
    """
    if endpoint is None:
        return "the device as a whole"
    said = port_text(endpoint)
    if endpoint.path:
        said += f" {endpoint.path}"
    if endpoint.server_name:
        said += f" as {endpoint.server_name}"
    if device is None or len(device.addresses) != 1:
        said += f" at {endpoint.address}"
    return visible(said)


def port_text(endpoint: Endpoint | None) -> str:
    """Write the port of an endpoint as "9100/tcp"; "whole device" where no port is concerned."""
    return "whole device" if endpoint is None else f"{endpoint.port}/{endpoint.transport}"


def reason_text(reason: Reason | None) -> str:
    """Say in words why a result is not determined."""
    return REASONS[reason]


def capture_text(one: ReadCapture) -> str:
    """Say what a capture covers, and what limits it."""
    lost = "packets lost while capturing: not stated" if one.lost is None else f"{one.lost:,} packets lost"
    limits = "".join(f"; {notice}" for notice in one.notices)
    said = (
        f"{one.name}, seen at {one.place}, from {one.first} to {one.last}: {counted(one.packets, 'packet')}, {lost}, "
        f"{counted(one.others, 'other address', 'other addresses')}; SHA-256 {one.sha256}{limits}"
    )
    return visible(said)


def socket_text(socket: SocketRecord) -> str:
    """Say what the kernel's account of a connection or a datagram is."""
    ends = f"{socket.local}:{socket.local_port} to {socket.remote} {socket.remote_port}/{socket.transport}"
    said = f"{socket.at:.3f} s, {ends}: {socket.outcome} after {1000 * socket.seconds:.1f} ms"
    if socket.round_trip_us is not None:
        said += f", round trip {socket.round_trip_us} microseconds"
    if socket.window is not None:
        said += f", receive window {socket.window} bytes"
    if icmp := socket.icmp:
        said += f", ICMP type {icmp.type} code {icmp.code} from {icmp.sender}"
    return visible(said)


def reason_name(reason: Reason | None) -> str:
    """Name a reason in two or three words, for a list of several."""
    return _NAMES[reason]


_AS_ASCII = bytes(byte if 0x20 <= byte < 0x7F else ord(".") for byte in range(256))


def dump(exchange: Exchange) -> list[str]:
    """Write the bytes of an exchange as lines: offset, sixteen bytes in hex, the same as ASCII.

    The last line says how much was cut. Bytes that are no hex, as in a document that someone edited, are shown as text.
    """
    try:
        data = bytes.fromhex(exchange.hex)
    except ValueError:
        return [f"not hex: {visible(exchange.hex)}"]
    lines = []
    for start in range(0, len(data), 16):
        part = data[start : start + 16]
        pairs = part[:8].hex(" ") + "  " + part[8:].hex(" ")
        lines.append(f"{start:04x}  {pairs:<48}  {part.translate(_AS_ASCII).decode('ascii')}")
    if exchange.length > len(data):
        lines.append(f"({exchange.length - len(data)} of {exchange.length} bytes are not kept)")
    return lines


def authorisation_lines(scope: Authorisation) -> list[tuple[str, str]]:
    """Say what a scan was allowed, title and text; what was not said is left out."""

    def listed(values: tuple[str, ...]) -> str:
        return ", ".join(values)

    leased = "; ".join(f"{listed(o.networks)} of {o.owner}, agreed by {o.agreed_by}" for o in scope.leased)
    gentleness = ", ".join(
        f"{key.replace('_', ' ')} {value:,.10g}" for key, value in scope.gentleness.items()
    )
    if scope.grants is None:
        grants = "everything: it was this machine"
    else:
        grants = listed(scope.grants) or "nothing beyond test level ask"
    lines = [
        ("Authorised by", f"{scope.authorised_by}{f', until {scope.until}' if scope.until else ''}"),
        ("Scope file", f"SHA-256 {scope.file_hash}" if scope.file_hash else "none: this machine needs none"),
        ("Networks", listed(scope.networks)),
        ("Of these public", listed(scope.public)),
        ("Excluded", listed(scope.excluded)),
        ("Leased", leased),
        ("Testers' addresses", listed(scope.sources)),
        ("Window", f"daily, {scope.window}" if scope.window else "any hour"),
        ("Stop file", scope.stop_file or ""),
        ("Furthest reach", scope.reach.value),
        ("Granted by name", grants),
        ("Waits and ceilings", gentleness),
        ("Monitoring team", listed(scope.contacts)),
        ("Abort", listed(scope.abort)),
    ]
    return [(title, said) for title, said in lines if said]


def elsewhere_text(one: Elsewhere) -> str:
    """Say how a listed device was met otherwise than it is listed."""
    listed, seen = ", ".join(one.listed), ", ".join(one.seen)
    if one.what == "address":
        return f"{one.asset_tag}: at {seen}, listed at {listed}"
    return f"{one.asset_tag}: calls itself {seen}, listed as {listed}"


def retired_text(one: RetiredSeen) -> str:
    """Say where a retired device was seen again, and what tells that it is the same one."""
    known = "a name or an address alone" if one.known_by == "id" else f"its {one.known_by}"
    return (
        f"{one.label}: retired on {one.retired_on} ({one.entry}), seen again at {', '.join(one.addresses)}, "
        f"known by {known}"
    )


def counted(number: int, one: str, many: str | None = None) -> str:
    """Write a number with its noun: "1 device", "2 devices"."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def ports_text(ports: tuple[int, ...]) -> str:
    """Write ports in order, runs of three or more as first-last."""
    runs: list[list[int]] = []
    for port in sorted(set(ports)):
        if runs and port == runs[-1][-1] + 1:
            runs[-1].append(port)
        else:
            runs.append([port])
    parts = [f"{run[0]}-{run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs]
    return ", ".join(parts) or "none"


def runs_text(runs: Iterable[tuple[int, int]]) -> str:
    """Write runs of numbers as first-last.

    >>> runs_text([(3, 5), (7, 7)])
    '3-5, 7'
    """
    return ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in runs)
