"""snmp-notifications-in-clear: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checks.snmp_notifications_in_clear import CHECK
from hardenprobe.facts import NotificationTarget, SnmpObjects
from hardenprobe.model import Observation, State
from hardenprobe.testing import at, seen_device, snmp_answer


def objects(**changes: Any) -> Observation[Any]:
    return at(161, SnmpObjects(version="2c", label="public", origin="default", **changes), transport="udp")


def to(
    address: str | None = "192.0.2.9",
    model: int | None = 3,
    level: int | None = 3,
    notified: bool | None = True,
) -> Any:
    return NotificationTarget(address=address, model=model, level=level, notified=notified)


SITE = ("192.0.2.0/28",)


@pytest.mark.parametrize(
    ("targets", "approved", "told"),
    [
        pytest.param([to()], (), ["pass -"], id="version 3 with privacy"),
        pytest.param([to(model=1, level=1)], (), ["fail -"], id="version 2c"),
        pytest.param([to(model=0, level=1)], (), ["fail -"], id="version 1"),
        pytest.param([to(level=2)], (), ["fail -"], id="version 3 without privacy"),
        pytest.param([to(), to("192.0.2.77")], SITE, ["fail receiver"], id="not approved"),
        pytest.param([to("192.0.2.77", 1, 1)], SITE, ["fail -", "fail receiver"], id="neither"),
        pytest.param([to("192.0.2.77")], (), ["pass -"], id="the site has not said who is approved"),
        pytest.param([to(None)], SITE, ["pass -"], id="a transport without an address"),
        pytest.param([to(model=None, level=None)], (), ["unknown parameters"], id="parameters not shown"),
        pytest.param(
            [to(model=1, level=1, notified=False)], (), ["unknown -"], id="no notification names it"
        ),
        pytest.param(
            [to(model=1, level=1, notified=None)],
            (),
            ["unknown -"],
            id="the table of notifications not shown",
        ),
        pytest.param([], (), ["unknown -"], id="no receiver"),
    ],
)
def test_branch(targets: list[Any], approved: tuple[str, ...], told: list[str]) -> None:
    seen = seen_device(objects(targets=tuple(targets)))
    outcomes = CHECK.judge(seen, CHECK.settings(receivers=approved))
    assert [f"{o.word} {o.subject or '-'}" for o in outcomes] == told


def test_rows_that_were_not_read_prove_nothing() -> None:
    seen = seen_device(objects(targets=(to(),), fault="12 rows were read, and there may be more"))
    assert [o.word for o in CHECK.judge(seen, CHECK.settings())] == ["unknown"]


def test_no_agent_is_not_applicable() -> None:
    (outcome,) = CHECK.judge(seen_device(snmp_answer(state=State.REFUSING)), CHECK.settings())
    assert outcome.word == "notapplicable"
