"""Whether our own clock is proven."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.scope import clock
from hardenprobe.scope.scope import Scope

OFFICE = Scope(name="office", networks=AddressSet.of(["192.0.2.0/24"]))


def test_this_machines_own_devices_share_its_clock() -> None:
    proof = clock.prove(Scope.loopback(), ["127.0.0.1", "::1"])
    assert proof.proven
    assert "share its clock" in proof.how


def test_somebody_vouches_for_it_in_the_scope_file() -> None:
    proof = clock.prove(replace(OFFICE, clock_checked_by="Imke Sandvoort"), ["192.0.2.1"])
    assert proof.proven
    assert "Imke Sandvoort" in proof.how


@pytest.mark.parametrize("addresses", [["192.0.2.1"], ["127.0.0.1", "192.0.2.1"]], ids=["away", "mixed"])
def test_otherwise_only_the_kernel_can_prove_it(addresses: list[str]) -> None:
    proof = clock.prove(OFFICE, addresses)
    assert proof.proven is clock._kernel_synchronised()
    assert ("kernel" in proof.how) is proof.proven


def test_now_is_utc() -> None:
    now = clock.prove(Scope.loopback(), ["127.0.0.1"]).now
    assert now.endswith("Z")
    assert abs((datetime.fromisoformat(now) - datetime.now(UTC)).total_seconds()) < 60
