"""Checks by the family of protocols that they look at, with labels that are short under their family's heading."""

from __future__ import annotations

from collections.abc import Iterable

FAMILIES: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("TLS and certificates", ("tls-",)),
    ("Web administration", (
        "http-", "cleartext-http-", "basic-auth-", "login-form-", "settings-", "management-",
    )),
    ("SNMP", ("snmp-",)),
    ("SSH and Telnet", ("ssh-", "cleartext-telnet", "cleartext-remote-")),
    ("Printing and scanning", ("ipp-", "cleartext-ipp", "cleartext-print-", "scan-", "channel-")),
    ("Files and screens", ("smb", "ftp-", "cleartext-ftp", "cleartext-tftp", "remote-screen-")),
    ("Discovery and time", ("discovery-", "ntp-", "clock-")),
    ("Access and fleet", (
        "allow-list-", "segment-", "device-", "firmware-", "statement-", "unexpected-", "cleartext-small-", "udp-small-", "identity-",
    )),
)  # fmt: skip
"""Family and the beginnings of its checks' ids, in the order in which they are shown."""

OTHERS = "Further checks"

_LEFT_OUT = ("tls-", "snmp-", "ssh-", "discovery-", "http-", "ipp-")
_SHORTER = (
    ("cleartext-", "clear "), ("certificate-", "cert. "), ("allow-list-", "list "), ("deprecated-", "old "),
    ("insecure-", "bad "), ("management", "admin"), ("community", "comm."), ("version", "vers."), ("encryption", "encr."),
)  # fmt: skip


def family(check: str) -> str:
    """The family of a check."""
    return next((name for name, begun in FAMILIES if check.startswith(begun)), OTHERS)


def in_order(checks: Iterable[str]) -> list[str]:
    """Checks family by family, within a family by id."""
    places = [name for name, _ in FAMILIES] + [OTHERS]
    return sorted(checks, key=lambda check: (places.index(family(check)), check))


def short(check: str) -> str:
    """A label that is clear under the heading of the check's family."""
    said = next((check.removeprefix(one) for one in _LEFT_OUT if check.startswith(one)), check)
    for long, less in _SHORTER:
        said = said.replace(long, less)
    return said.replace("-", " ")
