"""Which remediation fits a device, and what a change leaves to administer it by.

Which protocols administer a device is common practice (no published requirement).
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe.model import Device, Result, State, Word
from hardenprobe.remediation.general import HTTP_TO_HTTPS, TELNET_OFF
from hardenprobe.remediation.ssh import SSH_OFF
from hardenprobe.remediation.web import ISOLATE_OR_REPLACE

INSTEAD = {HTTP_TO_HTTPS.id: ("management-encryption-missing", ISOLATE_OR_REPLACE.id)}
"""Remediation to the check that must not fail on the same device, and the remediation that takes its place where it does."""

_REMOVES = {TELNET_OFF.id: "telnet", SSH_OFF.id: "ssh", HTTP_TO_HTTPS.id: "http"}
"""Remediation to the means of administration that it takes away."""

_ADMINISTRATION = {"ssh": "SSH", "telnet": "Telnet", "http": "unencrypted HTTP"}
_HTTPS = (443, 8443)  # IANA: https, and its common alternative


def fitting(results: Iterable[Result]) -> dict[str, str]:
    """Choose the remediations that fit one device, in place of those that its findings name.

    Returns:
        Remediation to the one that takes its place.
    """
    failed = {result.check for result in results if result.result is Word.FAIL}
    return {remedy: other for remedy, (check, other) in INSTEAD.items() if check in failed}


def administration_left(remedy: str, device: Device) -> tuple[str, ...] | None:
    """List what a device can still be administered by over the network, the encrypted first.

    Returns:
        None where the remediation takes no means of administration away.
    """
    removed = _REMOVES.get(remedy)
    if removed is None:
        return None
    left: dict[str, None] = {}
    for service in device.services:
        if service.state is not State.ACCEPTING or service.transport != "tcp":
            continue
        if service.protocol == "tls" and service.port in _HTTPS:
            left[f"HTTPS ({service.port}/tcp)"] = None
        elif service.protocol in _ADMINISTRATION and service.protocol != removed:
            left[f"{_ADMINISTRATION[service.protocol]} ({service.port}/tcp)"] = None
    return tuple(sorted(left, key=lambda one: (not one.startswith(("HTTPS", "SSH")), one)))
