"""snmp-personal-data: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.snmp_personal_data import CHECK
from hardenprobe.facts import Personal, SnmpObjects
from hardenprobe.model import Observation, State, Word
from hardenprobe.testing import at, seen_device, snmp_answer


def objects(*, origin: str = "default", **more: Any) -> Observation[Any]:
    facts = SnmpObjects(version="2c", label="public", origin=origin, **more)
    return at(161, facts, transport="udp", protocol="snmp")


CONTACT = Personal(what="contact", count=1, masks=("**** ***",))
OWNERS = Personal(what="job owner", count=3, masks=("****", "***", "*"))


@pytest.mark.parametrize(
    ("observations", "told"),
    [
        pytest.param([objects(personal=(CONTACT,))], [(Word.FAIL, "contact")], id="contact"),
        pytest.param(
            [objects(personal=(CONTACT, OWNERS))],
            [(Word.FAIL, "contact"), (Word.FAIL, "job owner")],
            id="two kinds",
        ),
        pytest.param([objects()], [(Word.PASS, None)], id="nothing is shown"),
        pytest.param([objects(fault="no BER")], [(Word.UNKNOWN, None)], id="cut short"),
        pytest.param(
            [objects(origin="supplied", personal=(CONTACT,)), snmp_answer(state=State.SILENT)],
            [(Word.UNKNOWN, None)],
            id="the fleet's own community may read it",
        ),
        pytest.param([], [(Word.UNKNOWN, None)], id="nothing was asked"),
    ],
)
def test_branch(observations: list[Observation[Any]], told: list[tuple[Word, str | None]]) -> None:
    assert [(o.word, o.subject) for o in CHECK.judge(seen_device(*observations), NoSettings())] == told
