"""What a print service says of its device becomes identity, each value with its source."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.devices.identity import settle
from hardenprobe.devices.inventory import Inventory
from hardenprobe.devices.visit_notes import VisitNotes
from hardenprobe.facts import IppPrinter
from hardenprobe.model import Coverage, Device, Observation
from hardenprobe.model.visit import Visit
from hardenprobe.testing import at, snmp_answer, tcp_port


def printer(address: str, **told: Any) -> Observation[Any]:
    facts = IppPrinter(tls=True, path="/ipp/print", assigned=True, http_status=200, status=0, **told)
    return at(631, facts, protocol="ipps", address=address, path="/ipp/print")


def met(*seen: Observation[Any]) -> tuple[Device, ...]:
    addresses = dict.fromkeys(o.endpoint.address for o in seen if o.endpoint)
    visits = [
        Visit(
            address=a,
            vantage="office",
            outcome="answered",
            observations=(
                tcp_port(631, address=a),
                *(o for o in seen if o.endpoint and o.endpoint.address == a),
            ),
        )
        for a in addresses
    ]
    return settle(VisitNotes.of(visits), Inventory(), {}, Coverage()).devices


def test_everything_told_is_kept_with_its_source() -> None:
    seen = printer(
        "127.0.9.10", serial="X-1", uuid="urn:uuid:1", make_and_model="Series X", firmware=("2.1",),
        firmware_names=("main",), device_id="MFG:Quay;MDL:Series X;", formats=("application/pdf",),
    )  # fmt: skip
    (device,) = met(seen)
    assert {(i.kind, i.value, i.strength) for i in device.identity if i.source == "ipp"} == {
        ("serial", "X-1", "strong"),
        ("printer-uuid", "urn:uuid:1", "medium"),
        ("make-model", "Series X", "weak"),
        ("firmware", "main 2.1", "weak"),
        ("device-id", "MFG:Quay;MDL:Series X;", "weak"),
        ("device-kind", "printer", "weak"),
    }
    assert device.make_model == "Series X"


def test_snmp_names_the_model_first() -> None:
    told = snmp_answer(values={"1.3.6.1.2.1.25.3.2.1.3.1": "Series S"})
    (device,) = met(told, printer("127.0.9.10", make_and_model="Series X"))
    assert device.make_model == "Series S"


def test_neither_a_serial_alone_nor_a_model_or_a_uuid_joins_two_addresses() -> None:
    pair = ("127.0.9.10", "127.0.9.11")
    assert len(met(*(printer(a, serial="X-1") for a in pair))) == 2
    assert len(met(*(printer(a, uuid="urn:uuid:1", make_and_model="Series X") for a in pair))) == 2


@pytest.mark.parametrize("serial", ["", "0000000", "N/A"])
def test_what_stands_in_place_of_a_serial_joins_nothing(serial: str) -> None:
    assert len(met(*(printer(a, serial=serial) for a in ("127.0.9.10", "127.0.9.11")))) == 2


def test_a_uuid_names_a_device_that_moves() -> None:
    (here,), (there,) = (met(printer(a, uuid="urn:uuid:1")) for a in ("127.0.9.10", "127.0.9.11"))
    assert here.id == there.id
