"""snmp-shared-engine-id: each branch of its judge."""

from __future__ import annotations

from typing import Any

from hardenprobe.checking.check import DeviceView, Fleet, NoSettings, Outcome
from hardenprobe.checks.snmp_shared_engine_id import CHECK
from hardenprobe.facts import SnmpEngine
from hardenprobe.model import Address, Device, Observation, State, Word
from hardenprobe.testing import at, seen_device


def engine(value: str | None, address: str, **more: Any) -> Observation[Any]:
    facts = SnmpEngine(state=more.pop("state", State.ACCEPTING), engine_id=value, **more)
    return at(161, facts, transport="udp", protocol="snmp", address=address)


def one(name: str, *observations: Observation[Any]) -> DeviceView:
    device = Device(id=name, addresses=(Address(address="127.0.9.10", family="ipv4"),), asset_tag=name)
    return seen_device(*observations, device=device)


def judged(*members: DeviceView) -> dict[str, list[Outcome]]:
    fleet = Fleet(members, CHECK.compares)
    for member in members:
        member.fleet = fleet
    return {m.device.id: list(CHECK.judge(m, NoSettings())) for m in members}


def test_two_devices_with_one_engine_id_fail_and_name_each_other() -> None:
    told = judged(
        one("HO-1", engine("8000", "127.0.9.10")),
        one("HO-2", engine("8000", "127.0.9.11")),
        one("HO-3", engine("9000", "127.0.9.12")),
    )
    assert [o.word for o in told["HO-1"]] == [o.word for o in told["HO-2"]] == [Word.FAIL]
    assert told["HO-1"][0].observed.value == ["HO-2"]
    assert [o.word for o in told["HO-3"]] == [Word.PASS]


def test_two_addresses_of_one_device_share_nothing() -> None:
    told = judged(one("HO-1", engine("8000", "127.0.9.10"), engine("8000", "127.0.9.11")))
    assert [o.word for o in told["HO-1"]] == [Word.PASS, Word.PASS]


def test_what_no_engine_states_is_not_compared() -> None:
    told = judged(
        one("HO-1", engine(None, "127.0.9.10", fault="no BER")),
        one("HO-2", engine(None, "127.0.9.11", fault="no BER")),
        one("HO-3", engine(None, "127.0.9.12", state=State.SILENT)),
        one("HO-4", engine(None, "127.0.9.13", state=State.REFUSING)),
        one("HO-5"),
    )
    words = [told[f"HO-{n}"][0].word for n in range(1, 6)]
    assert words == [Word.UNKNOWN, Word.UNKNOWN, Word.UNKNOWN, Word.NOTAPPLICABLE, Word.UNKNOWN]


def test_many_others_are_counted() -> None:
    told = judged(*(one(f"HO-{n}", engine("8000", f"127.0.9.{n}")) for n in range(1, 8)))
    assert "and 2 more" in told["HO-1"][0].observed.text
