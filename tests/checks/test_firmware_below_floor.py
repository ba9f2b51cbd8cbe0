"""firmware-below-floor: each branch of its judge, and the three orders."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.checking.views.firmware import MinimumVersion, day, fields, later
from hardenprobe.checks.firmware_below_floor import CHECK, Settings
from hardenprobe.facts import HttpAnswer, IppPrinter, SnmpObjects
from hardenprobe.model import Observation, Reason, Word
from hardenprobe.testing import at, seen_device, snmp_answer

EXPECT = Settings(
    floors=(
        MinimumVersion(model=r"series K2\b", floor="5.2.0"),
        MinimumVersion(model=r"series K2\b", component="scanner unit", version=r"scan ([\d.]+)", floor="2.0"),
        MinimumVersion(model="series D7", floor="2025-01-01", order="date"),
        MinimumVersion(
            model="series R1",
            floor="Rel C",
            version=r"(Rel \w)",
            order="list",
            known=("Rel A", "Rel C", "Rel D"),
        ),
    )
)


def print_service(model: str | None, *firmware: str, names: tuple[str, ...] = ()) -> Observation[Any]:
    facts = IppPrinter(
        tls=True, path="/ipp/print", assigned=True, http_status=200, status=0,
        make_and_model=model, firmware=firmware, firmware_names=names,
    )  # fmt: skip
    return at(631, facts, protocol="ipps", path="/ipp/print")


@pytest.mark.parametrize(
    ("firmware", "names", "words"),
    [
        (("5.1.9",), (), [Word.FAIL, Word.UNKNOWN]),
        (("5.2.0",), ("system",), [Word.PASS, Word.UNKNOWN]),
        (("9", "5.1.9"), ("boot", ""), [Word.PASS, Word.UNKNOWN]),
        ((), (), [Word.UNKNOWN, Word.UNKNOWN]),
    ],
)
def test_a_print_service_states_its_firmware(
    firmware: tuple[str, ...], names: tuple[str, ...], words: list[Word]
) -> None:
    """RFC 8011 section 5.4.9 and PWG 5100.13: model and firmware are attributes of the printer."""
    seen = seen_device(print_service("Printer, series K2", *firmware, names=names))
    assert [o.word for o in CHECK.judge(seen, EXPECT)] == words


def described(text: str) -> Observation[Any]:
    return snmp_answer(values={"1.3.6.1.2.1.1.1.0": text})


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("Printer, series K2; firmware 5.1.9; scan 2.0", [Word.FAIL, Word.PASS]),
        ("Printer, series K2; firmware 5.2; scan 1.9", [Word.PASS, Word.FAIL]),
        ("Printer, series K2; firmware 5.10.0; scan 2.0.1", [Word.PASS, Word.PASS]),
        ("Printer, series K2; firmware unknown; scan 3", [Word.UNKNOWN, Word.PASS]),
        ("Printer, series K2", [Word.UNKNOWN, Word.UNKNOWN]),
        ("Printer, series K25; firmware 1.0", [Word.NOTAPPLICABLE]),
        ("Printer, series D7; firmware 20240115", [Word.FAIL]),
        ("Printer, series D7; firmware 2025.1.1", [Word.PASS]),
        ("Printer, series D7; firmware 20251399", [Word.UNKNOWN]),
        ("Printer, series R1 Rel A", [Word.FAIL]),
        ("Printer, series R1 Rel D", [Word.PASS]),
        ("Printer, series R1 Rel X", [Word.UNKNOWN]),
    ],
)
def test_branch(text: str, words: list[Word]) -> None:
    outcomes = list(CHECK.judge(seen_device(described(text)), EXPECT))
    assert [o.word for o in outcomes] == words
    for outcome in outcomes:
        assert (outcome.reason is Reason.INCONCLUSIVE) == (outcome.word is Word.UNKNOWN)


def test_model_and_version_may_come_from_different_places() -> None:
    server = at(80, HttpAnswer(tls=False, path="/", status=200, server="settings, firmware 5.0", title="x"))
    model = SnmpObjects(version="1", label="public", origin="default", model="Printer, series K2")
    seen = seen_device(at(161, model, transport="udp"), server)
    assert [o.word for o in CHECK.judge(seen, EXPECT)] == [Word.FAIL, Word.UNKNOWN]


def test_a_device_that_states_nothing_cannot_be_told() -> None:
    assert [o.word for o in CHECK.judge(seen_device(), EXPECT)] == [Word.UNKNOWN]
    assert [o.word for o in CHECK.judge(seen_device(), Settings(floors=()))] == [Word.NOTAPPLICABLE]


@given(st.text(max_size=100), st.text(max_size=100), st.sampled_from(["fields", "date", "list"]))
def test_any_two_texts_compare_or_do_not(one: str, other: str, order: str) -> None:
    told = later(one, other, order, ("a", "b"))
    back = later(other, one, order, ("a", "b"))
    assert (told is None) == (back is None)
    if told is not None and back is not None:
        assert told == -back


numbers = st.lists(st.integers(0, 999), min_size=1, max_size=5)


@given(numbers, numbers)
def test_fields_compare_as_numbers(one: list[int], other: list[int]) -> None:
    texts = [".".join(map(str, each)) for each in (one, other)]
    padded = [tuple(each + [0] * (5 - len(each))) for each in (one, other)]
    assert later(texts[0], texts[1], "fields") == (padded[0] > padded[1]) - (padded[0] < padded[1])


@given(st.dates(), st.sampled_from(["%Y-%m-%d", "%Y%m%d", "%Y.%m.%d", "R%Y_%m_%d"]))
def test_dates_are_read_in_their_usual_spellings(when: Any, form: str) -> None:
    text = when.strftime(form).replace(when.strftime("%Y"), f"{when.year:04}", 1)
    assert day(text) == when


@given(st.text())
def test_fields_of_any_text(text: str) -> None:
    assert all(isinstance(n, int) for n in fields(text))
