"""Address sets: what a list of entries admits, and what it admits beyond what is approved.

Sets are kept as sorted, disjoint, non-adjacent ranges of integers, one list for each family, so that nothing is ever
enumerated and a /0 costs as much as a single address.

Source: RFC 4632 section 3 (CIDR), RFC 4291 section 2.5.5.2 (IPv4-mapped addresses), RFC 5952 (IPv6 text).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from ipaddress import (
    IPv4Address,
    IPv4Network,
    IPv6Address,
    IPv6Network,
    ip_address,
    ip_network,
    summarize_address_range,
)
from socket import AF_INET, inet_pton

Network = IPv4Network | IPv6Network
IpAddress = IPv4Address | IPv6Address
Range = tuple[int, int]
_MAPPED = IPv6Network("::ffff:0:0/96")


@dataclass(frozen=True)
class AddressSet:
    """A set of addresses of both families.

    Attributes:
        v4: Inclusive ranges, sorted, disjoint and not adjacent.
        v6: The same for IPv6.
    """

    v4: tuple[Range, ...] = ()
    v6: tuple[Range, ...] = ()

    @classmethod
    def of(cls, entries: Iterable[str]) -> AddressSet:
        """Join entries; see `parse_entry` for how one is written.

        Raises:
            ValueError: An entry cannot be read.
        """
        found: dict[int, list[Range]] = {4: [], 6: []}
        for entry in entries:
            version, pair = parse_entry(entry)
            found[version].append(pair)
        return cls(_normal(found[4]), _normal(found[6]))

    def __sub__(self, other: AddressSet) -> AddressSet:
        return AddressSet(_minus(self.v4, other.v4), _minus(self.v6, other.v6))

    def __or__(self, other: AddressSet) -> AddressSet:
        return AddressSet(_normal([*self.v4, *other.v4]), _normal([*self.v6, *other.v6]))

    def __and__(self, other: AddressSet) -> AddressSet:
        return self - (self - other)

    def __contains__(self, address: str | IpAddress) -> bool:
        try:  # IPv4 text, which a sweep asks about by the thousand, takes a short way
            ranges, number = self.v4, int.from_bytes(inet_pton(AF_INET, address))  # type: ignore[arg-type]
        except (OSError, TypeError):
            ip = _unmap(ip_address(address) if isinstance(address, str) else address)
            ranges, number = self.v4 if ip.version == 4 else self.v6, int(ip)
        at = bisect_right(ranges, (number, 1 << 129)) - 1
        return at >= 0 and ranges[at][1] >= number

    def __bool__(self) -> bool:
        return bool(self.v4 or self.v6)

    @property
    def count(self) -> int:
        """How many addresses there are."""
        return sum(last - first + 1 for first, last in (*self.v4, *self.v6))

    def cover(self) -> tuple[str, ...]:
        """The fewest CIDR blocks that hold exactly this set, IPv4 first."""
        blocks: list[str] = []
        for first, last in self.v4:
            blocks.extend(map(str, summarize_address_range(IPv4Address(first), IPv4Address(last))))
        for first, last in self.v6:
            blocks.extend(map(str, summarize_address_range(IPv6Address(first), IPv6Address(last))))
        return tuple(blocks)

    def first(self) -> str | None:
        """The lowest address, a counterexample for people; None for the empty set."""
        if self.v4:
            return str(IPv4Address(self.v4[0][0]))
        return str(IPv6Address(self.v6[0][0])) if self.v6 else None


def parse_entry(text: str) -> tuple[int, Range]:
    """Read one entry: an address, a CIDR block, an address with a mask, or first-last.

    Returns:
        IP version, and the inclusive range.

    Raises:
        ValueError: Says what is wrong and how to mend it.
    """
    text = text.strip()
    if "-" in text:
        low, _, high = text.partition("-")
        first, last = _address(low.strip()), _address(high.strip())
        if first.version != last.version:
            raise ValueError(f"{text!r} mixes IPv4 and IPv6")
        if first > last:  # type: ignore[operator]
            raise ValueError(f"{text!r} ends before it begins; write {last}-{first}")
        return first.version, (int(first), int(last))
    if "/" in text:
        network = parse_network(text)
        return network.version, (int(network.network_address), int(network.broadcast_address))
    ip = _address(text)
    return ip.version, (int(ip), int(ip))


def parse_network(text: str) -> Network:
    """Read a CIDR block or address/mask, strictly.

    Raises:
        ValueError: Host bits are set (the block that was meant is named), the mask is no mask, or it is no address.
    """
    address, _, mask = text.strip().partition("/")
    if (
        "." in mask
        and set(mask) <= set("0123456789.")
        and not mask.startswith(("255", "254", "252", "248", "240", "224", "192", "128", "0.0.0.0"))
    ):
        raise ValueError(f"{text!r} has a wildcard mask; write the number of leading bits, such as /24")
    try:
        network = ip_network(text.strip(), strict=True)
    except ValueError:
        pass
    else:
        if isinstance(network, IPv6Network) and network.subnet_of(_MAPPED):
            return IPv4Network((int(network[0]) & 0xFFFFFFFF, network.prefixlen - 96))
        return network
    try:
        meant = ip_network(text.strip(), strict=False)
    except ValueError:
        raise ValueError(f"{text!r} is no CIDR block; write one such as 192.0.2.0/24") from None
    raise ValueError(
        f"{text!r} has bits set right of the prefix; did you mean {meant} or the address {address}?"
    )


def _address(text: str) -> IpAddress:
    try:
        return _unmap(ip_address(text))
    except ValueError:
        raise ValueError(f"{text!r} is no IP address") from None


def _unmap(ip: IpAddress) -> IpAddress:
    """An IPv4-mapped IPv6 address is the IPv4 address, for every list and every scope."""
    return ip.ipv4_mapped or ip if isinstance(ip, IPv6Address) else ip


def _normal(ranges: Iterable[Range]) -> tuple[Range, ...]:
    merged: list[Range] = []
    for first, last in sorted(ranges):
        if merged and first <= merged[-1][1] + 1:
            merged[-1] = (merged[-1][0], max(merged[-1][1], last))
        else:
            merged.append((first, last))
    return tuple(merged)


def _minus(left: tuple[Range, ...], right: tuple[Range, ...]) -> tuple[Range, ...]:
    kept: list[Range] = []
    at = 0
    for first, last in left:
        while at < len(right) and right[at][1] < first:
            at += 1
        here = at
        while here < len(right) and right[here][0] <= last:
            if right[here][0] > first:
                kept.append((first, right[here][0] - 1))
            first = max(first, right[here][1] + 1)
            here += 1
        if first <= last:
            kept.append((first, last))
    return tuple(kept)
