"""What a device is called: its addresses, the names in use, and the names that its certificates claim."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from ipaddress import ip_address

from hardenprobe.checking.check import DeviceView
from hardenprobe.facts import TlsPort
from hardenprobe.model import TARGET


def names_in_use(seen: DeviceView) -> tuple[str, ...]:
    """Names that people use for the device: of the inventory, or given as target.

    What a device claims of itself alone (sysName) is left out: it agrees with whatever certificate the device made.
    """
    called = [i for i in seen.device.identity if i.kind == "name"]
    claimed = {i.value for i in called if i.source != TARGET} - {
        i.value for i in called if i.source == TARGET
    }
    names = [n for n in seen.device.names if n not in claimed]
    return tuple(dict.fromkeys([*(seen.listed.names if seen.listed else ()), *names]))


def certificate_names(seen: DeviceView) -> tuple[str, ...]:
    """Every subjectAltName that the device showed."""
    leaves = (c.certificates[0] for o in seen.of(TlsPort) for c in o.facts.chains if c.certificates)
    return tuple(dict.fromkeys(name for leaf in leaves for name in leaf.names))


def is_own(seen: DeviceView, host: str) -> bool:
    """Tell whether a host is the device itself, as far as anything known says so."""
    addresses = [a.address for a in seen.device.addresses]
    listed = seen.listed.names if seen.listed else ()
    return matches_any((*addresses, *listed, *seen.device.names, *certificate_names(seen)), host)


def is_address(name: str) -> bool:
    """Tell whether a host is written as an address."""
    try:
        ip_address(name)
    except ValueError:
        return False
    return True


def _may_be_address(name: str) -> bool:
    """Tell most names from addresses without taking them apart."""
    return name[-1:].isdigit() or ":" in name


def matches_any(patterns: Iterable[str], name: str) -> bool:
    """Tell whether one of several names of certificates or inventories is meant by `name`."""
    return any(matches(pattern, name) for pattern in patterns)


def matches(pattern: str, name: str) -> bool:
    """RFC 9525 section 6.3: letter case aside; `*` only as the whole leftmost label, for one label; A-labels and U-labels alike.

    >>> matches("*.devices.example", "One.devices.example."), matches("*.example", "a.b.example")
    (True, False)
    """
    if _may_be_address(pattern) and _may_be_address(name):
        with contextlib.suppress(ValueError):
            return ip_address(pattern) == ip_address(name)
    have, want = (_as_dns(one).lower().rstrip(".").split(".") for one in (pattern, name))
    if have[0] == "*" and len(have) > 2:
        return len(have) == len(want) and have[1:] == want[1:]
    return have == want


def _as_dns(name: str) -> str:
    """A name with its international labels as the DNS has them (A-labels)."""
    if name.isascii():
        return name
    try:
        return name.encode("idna").decode("ascii")
    except UnicodeError:
        return name
