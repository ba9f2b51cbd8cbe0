"""device-not-listed: each branch of its judge."""

from __future__ import annotations

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.device_not_listed import CHECK
from hardenprobe.devices.identity import settle
from hardenprobe.devices.inventory import Inventory, Listed
from hardenprobe.devices.visit_notes import VisitNotes
from hardenprobe.facts import DeclaredDevice, NotListed
from hardenprobe.model import Coverage, Word
from hardenprobe.model.visit import Visit
from hardenprobe.testing import declared, seen_device, tcp_port

LISTED = declared(DeclaredDevice(asset_tag="HO-1", device_kind="printer"))
STRANGER = declared(NotListed(addresses=("127.0.9.10",), address_of=None, source="inventory.yaml"))
SITTING = declared(NotListed(addresses=("127.0.9.10",), address_of="HO-9", source="inventory.yaml"))


@pytest.mark.parametrize(
    ("observations", "word"),
    [
        pytest.param([STRANGER, tcp_port(80)], Word.FAIL, id="nobody listed it"),
        pytest.param([SITTING, tcp_port(80)], Word.FAIL, id="at another's address"),
        pytest.param([LISTED, tcp_port(80)], Word.PASS, id="listed"),
        pytest.param([tcp_port(80)], Word.NOTAPPLICABLE, id="without an inventory"),
    ],
)
def test_branch(observations, word: Word) -> None:  # type: ignore[no-untyped-def]
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert outcome.word is word


def test_who_sits_at_a_listed_address_is_told() -> None:
    (outcome,) = CHECK.judge(seen_device(SITTING), NoSettings())
    assert "where HO-9 is listed" in outcome.observed.text


@pytest.mark.parametrize("known", [True, False])
def test_only_an_inventory_can_miss_a_device(known: bool) -> None:
    other = Listed(asset_tag="HO-9", addresses=("127.0.9.99",))
    inventory = Inventory(devices=(other,), by_address={"127.0.9.99": other}) if known else Inventory()
    visit = Visit(address="127.0.9.10", vantage="office", outcome="answered", observations=(tcp_port(80),))
    found = settle(VisitNotes.of([visit]), inventory, {}, Coverage())
    kinds = [o.kind for o in found.observations[found.devices[0].id]]
    assert ("not-listed" in kinds) == known
