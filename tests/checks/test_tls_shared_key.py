"""hardenprobe.checks.tls_shared_key"""

from __future__ import annotations

from support.tls import chain, seen_tls, tls_port
from support.tls_branches import WITHOUT_TLS

from hardenprobe.checking.check import DeviceView, Fleet
from hardenprobe.checks.tls_shared_key import CHECK

NONE = CHECK.settings()


def fleet(*keys: tuple[str, str]) -> list[tuple[str, int]]:
    """Judge each (device, key); return word and number of other devices."""
    members = [
        seen_tls(tls_port("TLS 1.2", chains=(chain(spki_sha256=key),)), device=device) for device, key in keys
    ]
    whole = Fleet(members, CHECK.compares)
    found = []
    for member in members:
        member.fleet = whole
        [outcome] = CHECK.judge(member, NONE)
        found.append((str(outcome.word), len(outcome.observed.value["devices"])))
    return found


def test_a_key_of_two_devices_fails_on_both_and_not_on_a_third() -> None:
    assert fleet(("one", "aa" * 32), ("two", "aa" * 32), ("three", "bb" * 32)) == [
        ("fail", 1),
        ("fail", 1),
        ("pass", 0),
    ]


def test_two_addresses_of_one_device_share_nothing() -> None:
    assert fleet(("one", "aa" * 32), ("one", "aa" * 32)) == [("pass", 0), ("pass", 0)]


@WITHOUT_TLS
def test_without_tls_nothing_passes(seen: DeviceView, word: str) -> None:
    assert [str(o.word) for o in CHECK.judge(seen, NONE)] == [word]
