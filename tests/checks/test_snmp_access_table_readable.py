"""snmp-access-table-readable: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.snmp_access_table_readable import CHECK
from hardenprobe.facts import AccessEntry, SnmpObjects
from hardenprobe.model import Observation, State, Word
from hardenprobe.testing import at, seen_device, snmp_answer


def objects(
    *rows: tuple[int, int, bool], origin: str = "default", fault: str | None = None, users: int = 0
) -> Observation[Any]:
    access = tuple(AccessEntry(model=model, level=level, writes=writes) for model, level, writes in rows)
    facts = SnmpObjects(version="2c", label="public", origin=origin, access=access, fault=fault, users=users)
    return at(161, facts, transport="udp", protocol="snmp")


SHOWN, WRITES = (Word.FAIL, None), (Word.FAIL, "write view")


@pytest.mark.parametrize(
    ("observations", "told"),
    [
        pytest.param([objects((2, 1, False))], [SHOWN], id="shown"),
        pytest.param([objects((2, 1, True))], [SHOWN, WRITES], id="version 2c writes"),
        pytest.param([objects((1, 1, True))], [SHOWN, WRITES], id="version 1 writes"),
        pytest.param([objects((0, 1, True))], [SHOWN, WRITES], id="any version writes"),
        pytest.param([objects((3, 3, True))], [SHOWN], id="a user with privacy writes"),
        pytest.param([objects((2, 1, False), fault="fell silent")], [SHOWN], id="shown in part"),
        pytest.param([objects()], [(Word.PASS, None)], id="not in the view"),
        pytest.param([objects(users=2)], [(Word.FAIL, "users")], id="users alone"),
        pytest.param([objects((3, 3, True), users=1)], [SHOWN, (Word.FAIL, "users")], id="both tables"),
        pytest.param([objects(fault="fell silent")], [(Word.UNKNOWN, None)], id="reading ended early"),
        pytest.param(
            [objects((2, 1, True), origin="supplied")], [(Word.UNKNOWN, None)], id="a supplied community"
        ),
        pytest.param([snmp_answer(state=State.REFUSING)], [(Word.NOTAPPLICABLE, None)], id="no agent"),
        pytest.param([], [(Word.UNKNOWN, None)], id="nothing was asked"),
    ],
)
def test_branch(observations: list[Observation[Any]], told: list[tuple[Word, str | None]]) -> None:
    assert [(o.word, o.subject) for o in CHECK.judge(seen_device(*observations), NoSettings())] == told
