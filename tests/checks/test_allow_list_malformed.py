"""allow-list-malformed: each branch of its judge, and the faults of an entry."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.addresses.lint import FORMS, flaws
from hardenprobe.addresses.sets import AddressSet
from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.allow_list_malformed import CHECK
from hardenprobe.facts import DeclaredAllowList
from hardenprobe.model import Observation, Word
from hardenprobe.testing import declared, seen_device, tcp_port


def listed(*copied: str, entries: tuple[str, ...] = (), position: int = 1) -> Observation[Any]:
    return declared(
        DeclaredAllowList(
            services=("https",), entries=entries, copied=copied, position=position, approved=(), source="file"
        )
    )


@pytest.mark.parametrize(
    ("entries", "told"),
    [
        (("192.0.2.0/24", "198.51.100.7"), [("pass", "list 1", None)]),
        (("192.0.2.0/25", "192.0.2.128-192.0.2.255"), [("pass", "list 1", None)]),
        (("192.0.2.7/24",), [("fail", "list 1, entry 1", "unreadable")]),
        (("192.0.2.0/0.0.0.255",), [("fail", "list 1, entry 1", "unreadable")]),
        (("192.0.2.1/255.0.255.0",), [("fail", "list 1, entry 1", "unreadable")]),
        (("192.0.2.0/255.0.255.0",), [("fail", "list 1, entry 1", "form")]),
        (("print server",), [("fail", "list 1, entry 1", "unreadable")]),
        (("192.0.2.0/24", "192.0.2.0-192.0.2.255"), [("fail", "list 1, entry 2", "repeated")]),
        (("192.0.2.9", "192.0.2.0/24"), [("fail", "list 1, entry 1", "swallowed")]),
        (("2001:db8::1", "2001:db8::/64"), [("fail", "list 1, entry 1", "swallowed")]),
        (
            ("192.0.2.0-192.0.2.9", "192.0.2.5-192.0.2.15", "192.0.2.8-192.0.2.20"),
            [("fail", "list 1, entry 2", "swallowed")],
        ),
        (
            ("192.0.2.0/255.255.255.1", "192.0.2.1/255.255.255.1", "192.0.2.0/25"),
            [
                ("fail", "list 1, entry 1", "form"),
                ("fail", "list 1, entry 2", "form"),
                ("fail", "list 1, entry 3", "swallowed"),
            ],
        ),
    ],
)
def test_branch(entries: tuple[str, ...], told: list[tuple[str, str, str | None]]) -> None:
    outcomes = CHECK.judge(seen_device(listed(*entries)), NoSettings())
    assert [(str(o.word), o.subject, o.vector) for o in outcomes] == told


def test_what_stands_in_the_device_is_judged_before_what_was_meant() -> None:
    good, bad = ("192.0.2.0/24",), ("192.0.2.1/24",)
    (outcome,) = CHECK.judge(seen_device(listed(*bad, entries=good)), NoSettings())
    assert outcome.word is Word.FAIL
    (outcome,) = CHECK.judge(seen_device(listed(entries=good)), NoSettings())
    assert outcome.word is Word.PASS


@pytest.mark.parametrize(
    ("entries", "word"), [(("192.0.2.0/24",), Word.FAIL), (("192.0.2.0/24", "2001:db8::/64"), Word.PASS)]
)
def test_a_list_of_ipv4_alone_where_ipv6_is_on(entries: tuple[str, ...], word: Word) -> None:
    seen = seen_device(listed(*entries), tcp_port(443), tcp_port(443, address="fd00::10"))
    (outcome,) = CHECK.judge(seen, NoSettings())
    assert outcome.word is word
    assert outcome.subject == ("list 1, IPv6" if word is Word.FAIL else "list 1")


def test_no_list_is_not_applicable() -> None:
    for seen in (seen_device(), seen_device(listed())):
        (outcome,) = CHECK.judge(seen, NoSettings())
        assert outcome.word is Word.NOTAPPLICABLE


texts = st.one_of(
    st.text(max_size=20),
    st.sampled_from(
        [
            "10.0.0.0/9",
            "10.64.0.0-10.200.0.0",
            "10.128.0.0/9",
            "10.0.0.0/255.0.0.1",
            "10.0.0.1/255.0.0.1",
            "10.0.0.1/255.0.0.3",
            "10.0.0.3/255.0.0.3",
            "10.0.0.0/8",
            "10.1.0.0/16",
            "10.0.0.1",
            "10.0.0.0-10.255.255.255",
            "fd00::/8",
            "10.0.0.1/8",
        ]
    ),
)


@given(st.lists(texts, max_size=6))
def test_what_is_left_when_faulty_entries_go_admits_the_same(entries: list[str]) -> None:
    found = {f.position for f in flaws(entries, FORMS)}
    unread = {f.position for f in flaws(entries, FORMS) if f.kind == "unreadable"}
    kept = [e for i, e in enumerate(entries, 1) if i not in found]
    readable = [e for i, e in enumerate(entries, 1) if i not in unread]
    assert AddressSet.of(kept) == AddressSet.of(readable)
    assert list(flaws(kept, FORMS)) == []
