"""A proven SSH host key tells a device that nothing else tells, and one that two devices hold tells nobody."""

from __future__ import annotations

from typing import Any

from support.ssh import ssh_host_key

from hardenprobe.devices.identity import Fleet, settle
from hardenprobe.devices.inventory import Inventory
from hardenprobe.devices.visit_notes import VisitNotes
from hardenprobe.model import Coverage
from hardenprobe.model.visit import Visit
from hardenprobe.testing import tcp_port


def visit(address: str, *observations: Any) -> Visit:
    return Visit(
        address=address,
        vantage="office",
        outcome="answered",
        observations=(tcp_port(22, speaks="ssh", address=address), *observations),
    )


def settled(*visits: Visit) -> Fleet:
    return settle(VisitNotes.of(visits), Inventory(), {}, Coverage(planned=1, visited=0, answered=0))


def ids(*visits: Visit) -> list[str]:
    return [device.id for device in settled(*visits).devices]


def test_a_device_keeps_its_id_when_its_address_changes() -> None:
    key = ssh_host_key(sha256="ab" * 32)
    assert ids(visit("127.0.9.10", key)) == ids(visit("127.0.9.77", key))
    assert ids(visit("127.0.9.10")) != ids(visit("127.0.9.77"))


def test_the_first_proven_key_is_the_identity() -> None:
    first, second = ssh_host_key(sha256="ab" * 32), ssh_host_key("ssh-rsa", sha256="cd" * 32)
    (device,) = settled(visit("127.0.9.10", first, second)).devices
    (identity,) = (one for one in device.identity if one.kind == "host-key")
    assert (identity.value, identity.source, identity.strength) == ("ab" * 32, "ssh", "medium")


def test_a_key_that_is_not_proven_identifies_nobody() -> None:
    shown = ssh_host_key(sha256="ab" * 32, proven=False, fault="wrong")
    assert ids(visit("127.0.9.10", shown)) == ids(visit("127.0.9.10"))


def test_a_shared_key_joins_no_devices_and_tells_none_apart() -> None:
    key = ssh_host_key(sha256="ab" * 32)
    both = ids(visit("127.0.9.10", key), visit("127.0.9.11", key))
    assert both == ids(visit("127.0.9.10"), visit("127.0.9.11"))
    assert len(set(both)) == 2
