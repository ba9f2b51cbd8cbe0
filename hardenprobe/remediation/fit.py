"""Which remediation fits a device, and what a change leaves to administer it by.

Which protocols administer a device is common practice (no published requirement).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable

from hardenprobe.model import Device, Result, State, Word
from hardenprobe.remediation.discovery import LPD_OFF
from hardenprobe.remediation.general import HTTP_TO_HTTPS, PRINT_PORTS_LIMIT, RAW_PRINT_LIMIT, TELNET_OFF
from hardenprobe.remediation.ssh import SSH_OFF
from hardenprobe.remediation.web import IPP_TLS, ISOLATE_OR_REPLACE

# Not applicable only where every port that was looked at is proven closed or another service; unknown proves no absence.
_NO_TLS = ("tls-current-version-missing", Word.NOTAPPLICABLE)
INSTEAD = {
    HTTP_TO_HTTPS.id: ("management-encryption-missing", Word.FAIL, ISOLATE_OR_REPLACE.id),
    IPP_TLS.id: (*_NO_TLS, ISOLATE_OR_REPLACE.id),
    RAW_PRINT_LIMIT.id: (*_NO_TLS, PRINT_PORTS_LIMIT.id),
    LPD_OFF.id: (*_NO_TLS, PRINT_PORTS_LIMIT.id),
}
"""Remediation to the check and its only result on a device without TLS, and the remediation that takes its place there."""

ALSO = {PRINT_PORTS_LIMIT.id: PRINT_PORTS_LIMIT}
"""Remediations that no check names, by id."""

_REMOVES = {TELNET_OFF.id: "telnet", SSH_OFF.id: "ssh", HTTP_TO_HTTPS.id: "http"}
"""Remediation to the means of administration that it takes away."""

_ADMINISTRATION = {"ssh": "SSH", "telnet": "Telnet", "http": "unencrypted HTTP"}
_HTTPS = (443, 8443)  # IANA: https, and its common alternative


_TLS_PORTS = {443, 631}  # IANA: https, ipps


def fitting(results: Iterable[Result], looked: Collection[int]) -> dict[str, str]:
    """Choose the remediations that fit one device, in place of those that its findings name.

    Args:
        looked: The TCP ports that were looked at. A device has no TLS only where its usual ports were among them.

    Returns:
        Remediation to the one that takes its place.
    """
    words: defaultdict[str, set[Word]] = defaultdict(set)
    for result in results:
        words[result.check].add(result.result)
    return {
        remedy: other
        for remedy, (check, word, other) in INSTEAD.items()
        if words[check] == {word} and (word is Word.FAIL or set(looked) >= _TLS_PORTS)
    }


def administration_left(remedy: str, device: Device) -> tuple[str, ...] | None:
    """List what a device can still be administered by over the network, the encrypted first.

    Returns:
        None where the remediation takes no means of administration away.
    """
    removed = _REMOVES.get(remedy)
    if removed is None:
        return None
    left = {text for means, text in administration(device) if means != removed}
    return tuple(sorted(left, key=lambda one: (not one.startswith(("HTTPS", "SSH")), one)))


def removed_by(remedy: str) -> str | None:
    """The means of administration that a remediation takes away, None where it takes none."""
    return _REMOVES.get(remedy)


def administration(device: Device) -> frozenset[tuple[str, str]]:
    """What a device can be administered by over the network: the means, and how people read it, such as "SSH (22/tcp)"."""
    found = set()
    for service in device.services:
        if service.state is not State.ACCEPTING or service.transport != "tcp":
            continue
        if service.protocol == "tls" and service.port in _HTTPS:
            found.add(("https", f"HTTPS ({service.port}/tcp)"))
        elif service.protocol in _ADMINISTRATION:
            found.add((service.protocol, f"{_ADMINISTRATION[service.protocol]} ({service.port}/tcp)"))
    return frozenset(found)
