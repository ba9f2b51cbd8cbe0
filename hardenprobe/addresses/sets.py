"""Address sets: what a list of entries admits, and what it admits beyond what is approved.

Each family is a set of numbers (addresses/intervals.py), so that nothing is ever enumerated: a /0 costs as much as a single
address, and a mask with gaps over IPv6 as much as a few hundred.

Source: RFC 4632 section 3 (CIDR), RFC 4291 section 2.5.5.2 (IPv4-mapped addresses), RFC 5952 (IPv6 text), RFC 950
(masks that need not be contiguous).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from itertools import islice
from socket import AF_INET, inet_pton
from typing import Literal

from hardenprobe.addresses import intervals
from hardenprobe.addresses.decision_diagram import Cube, Range
from hardenprobe.addresses.intervals import Numbers
from hardenprobe.errors import ScatteredMasks

Network = IPv4Network | IPv6Network
IpAddress = IPv4Address | IPv6Address
BITS = {4: 32, 6: 128}
MOST_BLOCKS = 1 << 20
"""Blocks that are ever listed at once, about 100 MB."""

_MAPPED = IPv6Network("::ffff:0:0/96")


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a list, as it was read.

    Attributes:
        version: 4 or 6.
        first, last: Its lowest and highest address.
        mask: For a mask with gaps: the bits in which an address must agree with `first`. None where all from first to
            last belong.
        form: How it was written; an address counts as a block of one.
    """

    version: int
    first: int
    last: int
    mask: int | None = None
    form: Literal["cidr", "range", "mask"] = "cidr"

    @property
    def count(self) -> int:
        """How many addresses it admits."""
        if self.mask is None:
            return self.last - self.first + 1
        return 1 << (BITS[self.version] - self.mask.bit_count())

    @property
    def block_count(self) -> int:
        """How many CIDR blocks it takes to say it."""
        bits = BITS[self.version]
        if self.mask is None:
            return sum(1 for _ in intervals.blocks(bits, ((self.first, self.last),)))
        free_on_the_right = (self.mask & -self.mask).bit_length() - 1
        return 1 << (bits - self.mask.bit_count() - free_on_the_right)

    @property
    def hull(self) -> Cube:
        """The smallest cube that holds it: the entry itself, or for a range the block around it."""
        if self.mask is not None:
            return self.first, self.mask
        mask = (1 << BITS[self.version]) - (1 << (self.first ^ self.last).bit_length())
        return self.first & mask, mask

    def cubes(self) -> Iterator[Cube]:
        """The entry as values with masks: itself, or the blocks of a range."""
        if self.mask is not None:
            yield self.first, self.mask
            return
        bits = BITS[self.version]
        for base, length in intervals.blocks(bits, ((self.first, self.last),)):
            yield base, (1 << bits) - (1 << bits - length)

    def __str__(self) -> str:
        """The entry in the shortest of its forms."""
        first, last = address_text(self.version, self.first), address_text(self.version, self.last)
        if self.mask is not None:
            return f"{first}/{address_text(self.version, self.mask)}"
        if self.first == self.last:
            return first
        span = (self.last - self.first + 1).bit_length() - 1
        if self.last - self.first + 1 == 1 << span and not self.first & (1 << span) - 1:
            return f"{first}/{BITS[self.version] - span}"
        return f"{first}-{last}"


@dataclass(frozen=True, eq=False)
class AddressSet:
    """A set of addresses of both families.

    Attributes:
        v4: Inclusive ranges, sorted, disjoint and not adjacent; or a diagram.
        v6: The same for IPv6.

    Raises:
        TooScattered: From every operation on sets whose masks with gaps make too many parts.
    """

    v4: Numbers = ()
    v6: Numbers = ()

    @classmethod
    def of(cls, entries: Iterable[str | Entry]) -> AddressSet:
        """Join entries; see `parse_entry` for how one is written.

        Raises:
            ValueError: An entry cannot be read.
        """
        ranges: dict[int, list[Range]] = {4: [], 6: []}
        cubes: dict[int, list[Cube]] = {4: [], 6: []}
        for given in entries:
            entry = parse_entry(given) if isinstance(given, str) else given
            if entry.mask is None:
                ranges[entry.version].append((entry.first, entry.last))
            else:
                cubes[entry.version].append((entry.first, entry.mask))
        return cls(*(intervals.joined(BITS[v], ranges[v], cubes[v]) for v in (4, 6)))

    def __sub__(self, other: AddressSet) -> AddressSet:
        return AddressSet(intervals.less(32, self.v4, other.v4), intervals.less(128, self.v6, other.v6))

    def __or__(self, other: AddressSet) -> AddressSet:
        return AddressSet(intervals.either(32, self.v4, other.v4), intervals.either(128, self.v6, other.v6))

    def __and__(self, other: AddressSet) -> AddressSet:
        return AddressSet(intervals.both(32, self.v4, other.v4), intervals.both(128, self.v6, other.v6))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, AddressSet) and not self - other and not other - self

    def __hash__(self) -> int:
        return hash(self.count)

    def __contains__(self, address: str | IpAddress) -> bool:
        try:  # IPv4 text, which a sweep asks about by the thousand, takes a short way
            numbers, number = self.v4, int.from_bytes(inet_pton(AF_INET, address))  # type: ignore[arg-type]
        except (OSError, TypeError):
            ip = _unmap(ip_address(address) if isinstance(address, str) else address)
            numbers, number = self.numbers(ip.version), int(ip)
        return intervals.holds(numbers, number)

    def meets(self, entry: Entry) -> bool:
        """Tell whether an entry and this set have an address in common."""
        numbers = self.numbers(entry.version)
        if entry.mask is None:
            return intervals.meets_range(BITS[entry.version], numbers, (entry.first, entry.last))
        return intervals.meets_cube(BITS[entry.version], numbers, (entry.first, entry.mask))

    def numbers(self, version: int) -> Numbers:
        """One family of the set."""
        return self.v4 if version == 4 else self.v6

    def __bool__(self) -> bool:
        return bool(self.v4 or self.v6)

    @property
    def count(self) -> int:
        """How many addresses there are."""
        return sum(intervals.count(n) for _, n in self._families())

    @property
    def block_count(self) -> int:
        """How many CIDR blocks `cover` needs."""
        return sum(intervals.block_count(BITS[v], n) for v, n in self._families())

    @property
    def range_count(self) -> int:
        """How many ranges of neighbours there are, both families together."""
        return sum(intervals.range_count(n) for _, n in self._families())

    def cover(self, most: int | None = None) -> tuple[str, ...]:
        """The fewest CIDR blocks that hold exactly this set, IPv4 first.

        Args:
            most: Stop after so many.

        Raises:
            TooScattered: Without `most`, when they are more than `MOST_BLOCKS`.
        """
        blocks = (f"{address_text(v, base)}/{length}" for v, base, length in self._all_blocks())
        found = tuple(islice(blocks, MOST_BLOCKS + 1 if most is None else most))
        if most is None and len(found) > MOST_BLOCKS:
            raise ScatteredMasks
        return found

    def said(self, most: int) -> str:
        """The first blocks of the cover and how many more there are, for a sentence."""
        more = self.block_count - most
        return ", ".join(self.cover(most)) + (f" and {more:,} more blocks" if more > 0 else "")

    def beside(self, address: str) -> str | None:
        """The neighbour of an address across an edge of this set; None where the address is at no edge."""
        ip = _unmap(ip_address(address))
        numbers, bits, inside = self.numbers(ip.version), BITS[ip.version], ip in self
        for other in (int(ip) + 1, int(ip) - 1):
            if 0 <= other < 1 << bits and (
                intervals.meets_range(bits, numbers, (other, other)) is not inside
            ):
                return address_text(ip.version, other)
        return None

    def ranges(self) -> Iterator[Entry]:
        """Ranges of neighbours, IPv4 first, one at a time."""
        for version, numbers in self._families():
            for first, last in intervals.ranges(numbers):
                yield Entry(version, first, last, form="range")

    def patterns(self) -> Iterator[Entry]:
        """Entries without overlap that make up the set, few where masks with gaps made it; one at a time."""
        for version, numbers in self._families():
            if isinstance(numbers, tuple):
                yield from (Entry(version, first, last, form="range") for first, last in numbers)
            else:
                yield from (cube_entry(version, cube) for cube in numbers.cubes())

    def first(self) -> str | None:
        """The lowest address, a counterexample for people; None for the empty set."""
        return next((address_text(version, base) for version, base, _ in self._all_blocks()), None)

    def _families(self) -> tuple[tuple[int, Numbers], tuple[int, Numbers]]:
        return (4, self.v4), (6, self.v6)

    def _all_blocks(self) -> Iterator[tuple[int, int, int]]:
        for version, numbers in self._families():
            blocks = intervals.blocks(BITS[version], numbers)
            yield from ((version, base, length) for base, length in blocks)


def parse_entry(text: str) -> Entry:
    """Read one entry: an address, a CIDR block, an address with a mask, or first-last.

    A mask may have gaps: 10.0.0.5/255.0.0.255 admits 10.0.0.5, 10.0.1.5 and so on to 10.255.255.5.

    Raises:
        ValueError: Says what is wrong and how to fix it.
    """
    text = text.strip()
    if "-" in text:
        low, _, high = text.partition("-")
        first, last = _address(low.strip()), _address(high.strip())
        if first.version != last.version:
            raise ValueError(f"{text!r} mixes IPv4 and IPv6")
        if first > last:  # type: ignore[operator]
            raise ValueError(f"{text!r} ends before it begins; write {last}-{first}")
        return Entry(first.version, int(first), int(last), form="range")
    if "/" in text:
        return _gapped(text) or _block(parse_network(text))
    ip = _address(text)
    return Entry(ip.version, int(ip), int(ip))


def parse_network(text: str) -> Network:
    """Read a CIDR block or address/mask, strictly.

    Raises:
        ValueError: Host bits are set (the block that was meant is named), the mask is no mask, or it is no address.
    """
    address, _, mask = text.strip().partition("/")
    written = text.strip()
    if "." in mask or ":" in mask:
        bits, number = _mask(text, address, mask)
        if number is not None:
            length = number.bit_count()
            if number != (1 << bits) - (1 << bits - length):
                raise ValueError(f"{text!r} is no CIDR block but has a mask with gaps; write blocks")
            written = f"{address}/{length}"
    try:
        network = ip_network(written, strict=True)
    except ValueError:
        pass
    else:
        if isinstance(network, IPv6Network) and network.subnet_of(_MAPPED):
            return IPv4Network((int(network[0]) & 0xFFFFFFFF, network.prefixlen - 96))
        return network
    try:
        meant = ip_network(written, strict=False)
    except ValueError:
        raise ValueError(f"{text!r} is no CIDR block; write one such as 192.0.2.0/24") from None
    raise ValueError(
        f"{text!r} has bits set right of the prefix; did you mean {meant} or the address {address}?"
    )


def _mask(text: str, address: str, mask: str) -> tuple[int, int | None]:
    """Width and number of a mask; None as number where it is none of the address's family.

    Raises:
        ValueError: It is a wildcard mask, which says with ones what an address mask says with zeros.
    """
    try:
        ip, found = ip_address(address), ip_address(mask)
    except ValueError:
        return 32, None
    if ip.version != found.version:
        return 32, None
    bits, number = BITS[ip.version], int(found)
    if number & 1 and not number & number + 1 and number.bit_count() < bits:
        raise ValueError(f"{text!r} has a wildcard mask; write the number of leading bits, such as /24")
    return bits, number


def _gapped(text: str) -> Entry | None:
    """Read an address with a mask that has gaps; None where the mask has none."""
    address, _, written = text.partition("/")
    bits, mask = _mask(text, address, written) if "." in written or ":" in written else (32, None)
    if mask is None or mask == (1 << bits) - (1 << bits - mask.bit_count()):
        return None
    value = int(ip_address(address))
    version = 4 if bits == 32 else 6
    if value & ~mask:
        meant = f"{address_text(version, value & mask)}/{written}"
        raise ValueError(f"{text!r} has bits set where its mask has none; did you mean {meant}?")
    mapped = int(_MAPPED.netmask)
    if version == 6 and mask & mapped == mapped and value & mapped == int(_MAPPED[0]):
        return cube_entry(4, (value & 0xFFFFFFFF, mask & 0xFFFFFFFF))
    return cube_entry(version, (value, mask))


def _block(network: Network) -> Entry:
    return Entry(network.version, int(network.network_address), int(network.broadcast_address))


def cube_entry(version: int, cube: Cube) -> Entry:
    """The entry that admits a cube: a block where its mask has no gaps."""
    value, mask = cube
    last = value | ~mask & (1 << BITS[version]) - 1
    if (last - value) & (last - value + 1) == 0:
        return Entry(version, value, last)
    return Entry(version, value, last, mask, "mask")


def address_text(version: int, number: int) -> str:
    """An address in the text of RFC 5952, or with dots."""
    return str(IPv4Address(number) if version == 4 else IPv6Address(number))


def _address(text: str) -> IpAddress:
    try:
        return _unmap(ip_address(text))
    except ValueError:
        raise ValueError(f"{text!r} is no IP address") from None


def _unmap(ip: IpAddress) -> IpAddress:
    """An IPv4-mapped IPv6 address is the IPv4 address, for every list and every scope."""
    return ip.ipv4_mapped or ip if isinstance(ip, IPv6Address) else ip
