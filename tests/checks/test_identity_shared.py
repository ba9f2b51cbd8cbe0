"""identity-shared: each branch of its judge."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from hardenprobe.checking.check import DeviceView, Fleet, NoSettings, Outcome
from hardenprobe.checks.identity_shared import CHECK, SERIAL
from hardenprobe.facts.snmp import PRT_SERIAL
from hardenprobe.facts.web import IppPrinter
from hardenprobe.model import Address, Device, State, Word
from hardenprobe.testing import at, seen_device, snmp_answer


def by_snmp(name: str, serial: str) -> DeviceView:
    return one(name, snmp_answer(values={PRT_SERIAL: serial}))


def one(name: str, *seen: object) -> DeviceView:
    device = Device(id=name, addresses=(Address(address="127.0.9.10", family="ipv4"),), asset_tag=name)
    return seen_device(*seen, device=device)  # type: ignore[arg-type]


def judged(*members: DeviceView) -> dict[str, list[Outcome]]:
    fleet = Fleet(members, CHECK.compares)
    for member in members:
        member.fleet = fleet
    return {m.device.id: list(CHECK.judge(m, NoSettings())) for m in members}


def test_two_devices_with_one_serial_fail_and_name_each_other_whoever_states_it() -> None:
    ipp = one(
        "HO-2",
        at(
            631,
            IppPrinter(tls=False, path="/", assigned=True, http_status=200, serial="QM-1"),
            protocol="ipp",
        ),
    )
    told = judged(by_snmp("HO-1", "QM-1"), ipp, by_snmp("HO-3", "QM-3"))
    assert [o.word for o in told["HO-1"]] == [o.word for o in told["HO-2"]] == [Word.FAIL]
    assert told["HO-1"][0].observed.value == ["HO-2"]
    assert [o.word for o in told["HO-3"]] == [Word.PASS]


@pytest.mark.parametrize("placeholder", ["", "0000000", "N/A"])
def test_what_stands_in_place_of_a_serial_is_shared_by_nobody(placeholder: str) -> None:
    told = judged(by_snmp("HO-1", placeholder), by_snmp("HO-2", placeholder))
    assert [o.word for some in told.values() for o in some] == [Word.NOTAPPLICABLE] * 2


def test_silence_tells_nothing_and_a_refusal_means_that_there_is_nothing_to_read() -> None:
    told = judged(
        one("HO-1", snmp_answer(state=State.SILENT)),
        one("HO-2"),
        one("HO-3", snmp_answer(state=State.REFUSING)),
    )
    assert [told[f"HO-{n}"][0].word for n in (1, 2, 3)] == [Word.UNKNOWN, Word.UNKNOWN, Word.NOTAPPLICABLE]


def test_a_stored_answer_is_read_as_a_fresh_one() -> None:
    assert SERIAL.values(SimpleNamespace(values=SimpleNamespace(**{PRT_SERIAL: "QM-1"}))) == ["QM-1"]
    assert SERIAL.values(SimpleNamespace(serial="QM-1")) == ["QM-1"]
