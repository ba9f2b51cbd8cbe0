"""ssh-shared-host-key: devices are compared by what they prove."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from support.ssh import ssh_host_key, ssh_offer

from hardenprobe.checking.check import DeviceView, Fleet, NoSettings
from hardenprobe.checks.ssh_shared_host_key import CHECK
from hardenprobe.model import Address, Device, Reason, State
from hardenprobe.testing import seen_device, tcp_port


def device(name: str, *observations: Any) -> DeviceView:
    known = Device(id=name, addresses=(Address(address="127.0.9.10", family="ipv4"),))
    return seen_device(tcp_port(22, speaks="ssh"), *observations, device=known)


def words(*members: DeviceView) -> list[list[tuple[str, str | None]]]:
    """Judge each device of a fleet; return word and subject."""
    whole = Fleet(members, CHECK.compares)
    return [
        [(str(o.word), o.subject) for o in CHECK.judge(replace(member, fleet=whole), NoSettings())]
        for member in members
    ]


def test_a_key_of_two_devices_fails_on_both_and_not_on_a_third() -> None:
    same, own = ssh_host_key(sha256="aa" * 32), ssh_host_key(sha256="bb" * 32)
    members = [device(n, ssh_offer(), key) for n, key in (("one", same), ("two", same), ("three", own))]
    assert words(*members) == [
        [("fail", "ssh-ed25519")],
        [("fail", "ssh-ed25519")],
        [("pass", "ssh-ed25519")],
    ]


def test_two_addresses_of_one_device_share_nothing() -> None:
    both = [
        part
        for address in ("127.0.9.10", "127.0.9.11")
        for part in (ssh_offer(address=address), ssh_host_key(address=address))
    ]
    assert words(device("one", *both)) == [[("pass", "ssh-ed25519")] * 2]


def test_a_key_that_is_shown_and_not_proven_accuses_nobody() -> None:
    shown = ssh_host_key(proven=False, fault="SSH signature that the host key did not make")
    members = device("one", ssh_offer(), ssh_host_key()), device("two", ssh_offer(), shown)
    assert words(*members) == [[("pass", "ssh-ed25519")], [("unknown", "ssh-ed25519")]]


def test_each_key_type_is_a_subject() -> None:
    keys = ssh_host_key(sha256="aa" * 32), ssh_host_key("ssh-rsa", sha256="cc" * 32, bits=2048)
    other = ssh_host_key("ssh-rsa", sha256="cc" * 32, bits=2048)
    one, _ = words(device("one", ssh_offer(), *keys), device("two", ssh_offer(), other))
    assert one == [("pass", "ssh-ed25519"), ("fail", "ssh-rsa")]


def test_without_a_key_nothing_passes() -> None:
    (outcome,) = CHECK.judge(device("one", ssh_offer()), NoSettings())
    assert (str(outcome.word), outcome.reason) == ("unknown", Reason.CEILING)
    (outcome,) = CHECK.judge(seen_device(tcp_port(80, State.REFUSING)), NoSettings())
    assert str(outcome.word) == "notapplicable"
