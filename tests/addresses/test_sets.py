"""How entries of address lists are read. What sets do is in published/test_address_algebra.py."""

from __future__ import annotations

from ipaddress import ip_address, ip_network

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.addresses.sets import AddressSet, parse_entry, parse_network


@pytest.mark.parametrize(
    ("entry", "cover"),
    [
        ("192.0.2.1", ["192.0.2.1/32"]),
        (" 192.0.2.0/24 ", ["192.0.2.0/24"]),
        ("192.0.2.0/255.255.255.0", ["192.0.2.0/24"]),
        ("192.0.2.1 - 192.0.2.2", ["192.0.2.1/32", "192.0.2.2/32"]),
        ("192.0.2.7-192.0.2.7", ["192.0.2.7/32"]),
        ("0.0.0.0/0", ["0.0.0.0/0"]),
        ("0.0.0.0/0.0.0.0", ["0.0.0.0/0"]),
        ("2001:DB8:0:0:1:0:0:1", ["2001:db8::1:0:0:1/128"]),  # RFC 5952 section 4.2
        ("2001:db8::/64", ["2001:db8::/64"]),
        ("::ffff:192.0.2.1", ["192.0.2.1/32"]),  # RFC 4291 section 2.5.5.2
        ("::ffff:192.0.2.0/120", ["192.0.2.0/24"]),
        ("::ffff:192.0.2.1-::ffff:192.0.2.2", ["192.0.2.1/32", "192.0.2.2/32"]),
    ],
)
def test_entry_is_read(entry: str, cover: list[str]) -> None:
    assert list(AddressSet.of([entry]).cover()) == cover


@pytest.mark.parametrize(
    ("entry", "mend"),
    [
        ("192.0.2.5/24", "did you mean 192.0.2.0/24 or the address 192.0.2.5?"),
        ("2001:db8::5/64", "did you mean 2001:db8::/64 or the address 2001:db8::5?"),
        ("192.0.2.0/0.0.0.255", "wildcard mask; write the number of leading bits"),
        ("192.0.2.1/255.0.255.0", "where its mask has none; did you mean 192.0.2.0/255.0.255.0?"),
        ("192.0.2.0/33", "no CIDR block; write one such as 192.0.2.0/24"),
        ("192.0.2.9-192.0.2.1", "ends before it begins; write 192.0.2.1-192.0.2.9"),
        ("192.0.2.1-2001:db8::1", "mixes IPv4 and IPv6"),
        ("010.0.0.1", "no IP address"),  # octal to some programs, decimal to others
        ("192.168.1", "no IP address"),
        ("0x7f.1", "no IP address"),
        ("printer", "no IP address"),
        ("", "no IP address"),
        ("-", "no IP address"),
    ],
)
def test_entry_is_refused_with_its_mend(entry: str, mend: str) -> None:
    with pytest.raises(ValueError) as caught:
        parse_entry(entry)
    assert mend in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_mapped_address_is_the_ipv4_address_for_every_list() -> None:
    for listed in ("192.0.2.0/24", "::ffff:192.0.2.0/120"):
        assert "::ffff:192.0.2.9" in AddressSet.of([listed])
        assert "192.0.2.9" in AddressSet.of([listed])
    assert "::c000:209" not in AddressSet.of(["192.0.2.0/24"])  # the number alone is another address


def test_a_zone_does_not_hide_an_address() -> None:
    assert "fe80::1%eth0" in AddressSet.of(["fe80::/10"])


@given(st.text(max_size=30))
def test_whatever_is_written_is_read_or_refused(text: str) -> None:
    for read in (parse_entry, parse_network):
        try:
            read(text)
        except ValueError as error:
            assert "\n" not in str(error)


@given(st.integers(0, 2**32 - 1), st.integers(0, 32))
def test_a_block_is_refused_exactly_where_host_bits_are_set(number: int, length: int) -> None:
    text = f"{ip_address(number)}/{length}"
    network = ip_network(text, strict=False)
    if int(network[0]) == number:
        assert parse_network(text) == network
    else:
        with pytest.raises(ValueError, match="did you mean"):
            parse_network(text)


def test_an_empty_set() -> None:
    empty = AddressSet()
    assert (empty.count, empty.cover(), empty.first(), bool(empty)) == (0, (), None, False)
    assert "192.0.2.1" not in empty
    assert AddressSet.of(["2001:db8::1"]).first() == "2001:db8::1"
