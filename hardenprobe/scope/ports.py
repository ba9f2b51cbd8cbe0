"""Port numbers: what is assigned where, where we may speak, and where never.

Source: IANA Service Name and Transport Protocol Port Number Registry; raw print ports 9101 to 9107: common practice (no published
requirement).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

# What may be said to a port unasked, in the words of Link.connect(). A port that is not here is listened to and closed.
MAY_SPEAK: Mapping[int, frozenset[str]] = {
    21: frozenset({"ftp"}),
    22: frozenset({"ssh"}),
    25: frozenset({"smtp"}),
    80: frozenset({"http"}),
    139: frozenset({"smb"}),
    389: frozenset({"ldap"}),
    443: frozenset({"tls"}),
    445: frozenset({"smb"}),
    587: frozenset({"smtp"}),
    631: frozenset({"http", "tls"}),
    636: frozenset({"tls"}),
    990: frozenset({"tls"}),
    5355: frozenset({"llmnr"}),
    5357: frozenset({"web-services"}),
    5900: frozenset({"rfb"}),
    8080: frozenset({"http"}),
    8443: frozenset({"tls"}),
}

# A device prints what a raw port receives, and a print spooler takes lines as commands. Outranks everything else.
NEVER_SPEAK = frozenset({515, *range(9100, 9108)})
FIRST_PORTS = (443, 80, 631, 9100)  # what nearly every device has, unless a baseline says otherwise
RAW_PRINT = frozenset(range(9100, 9108))

# The words in which inventories and allow-lists name a service, with the ports they mean.
SERVICES: Mapping[str, tuple[tuple[str, int], ...]] = {
    "ftp": (("tcp", 21),),
    "http": (("tcp", 80), ("tcp", 8080)),
    "https": (("tcp", 443), ("tcp", 8443)),
    "ipp": (("tcp", 631),),
    "lpd": (("tcp", 515),),
    "raw-print": (("tcp", 9100),),
    "snmp": (("udp", 161),),
    "ssh": (("tcp", 22),),
    "telnet": (("tcp", 23),),
}


def may_speak(
    declared: Iterable[tuple[int, str]] = (),
    raw: Iterable[int] = (),
    base: Mapping[int, frozenset[str]] = MAY_SPEAK,
) -> dict[int, frozenset[str]]:
    """The may-speak list of one device.

    Args:
        declared: (port, protocol) pairs that the inventory or baseline adds.
        raw: Ports that the device itself reports as raw print channels.
        base: The list to add to.
    """
    allowed = dict(base)
    for port, protocol in declared:
        word = {"https": "tls", "ipp": "http", "ipps": "tls"}.get(protocol, protocol)
        allowed[port] = allowed.get(port, frozenset()) | {word}
    for port in NEVER_SPEAK | set(raw):
        allowed.pop(port, None)
    return allowed
