"""A stored review is judged again from its rows, and comes out as it would in memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest
import sqlalchemy as sa
from support.ssh import ssh_host_key, ssh_offer
from support.tls import chain, tls_port

from hardenprobe.baseline import baseline
from hardenprobe.decisions import statements
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.decisions.statements import Statement
from hardenprobe.errors import StoreRefused, UnknownName
from hardenprobe.facts import SnmpEngine
from hardenprobe.judging.completeness import INCOMPLETE, exit_status
from hardenprobe.judging.counts import Tally
from hardenprobe.judging.review import judged
from hardenprobe.judging.review import rejudge as rejudge_whole
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model import Address, Device, Observation, Review, State, Word
from hardenprobe.model.document import to_document
from hardenprobe.model.packing import pack
from hardenprobe.plugins import registry
from hardenprobe.plugins.registry import Registry
from hardenprobe.store.device_rows import PAGE
from hardenprobe.store.opening import opened
from hardenprobe.store.rejudge import Rejudged, rejudge
from hardenprobe.store.store import Store
from hardenprobe.testing import at, sample_review, snmp_answer, tcp_port

CHECKS = registry.load(plugins=False)
FIRST = baseline.load("office-device", CHECKS)
SECOND = baseline.load("office-device-strict", CHECKS)
DEVICES = 2 * PAGE + 3  # several pages of rows, the last of them not full


def observations(n: int) -> tuple[Observation[Any], ...]:
    """Every third device shares its engine, its host key and its certificate with others, far apart in the list."""
    address = f"192.0.2.{n + 1}"
    key = f"{n if n % 3 else 0:064x}"
    engine = SnmpEngine(state=State.ACCEPTING, engine_id=key[-24:])
    seen = [
        tcp_port(443, address=address),
        tcp_port(9100, address=address),
        tcp_port(23, State.REFUSING, address=address),
        at(443, tls_port("TLS 1.2", chains=(chain(spki_sha256=key),)), protocol="tls", address=address),
        at(161, engine, transport="udp", protocol="snmp", address=address),
        tcp_port(22, speaks="ssh", address=address),
        ssh_offer(address=address),
        ssh_host_key(address=address, sha256=key),
    ]
    if n % 4 == 0:
        seen.append(snmp_answer(values={"1.3.6.1.2.1.1.1.0": f'series "{n}"\\'}))
    return tuple(seen)


def scanned() -> Review:
    made = sample_review(1)
    devices = tuple(
        Device(
            id=f"dev-{n:03}",
            addresses=(Address(address=f"192.0.2.{n + 1}", family="ipv4"),),
            kind="printer",
            asset_tag=f"HO-{n:03}",
            tags=("public-area",) if n % 5 == 0 else (),
        )
        for n in range(DEVICES)
    )
    head = replace(made.head, selected=tuple(CHECKS.checks), previous=None, previous_digest=None)
    vantages = made.vantages[:1]
    whole = replace(
        made,
        head=head,
        vantages=vantages,
        devices=devices,
        results=(),
        observations={d.id: observations(n) for n, d in enumerate(devices)},
        exceptions=(),
        statements=(),
        notices=(),
    )
    return judged(whole, JudgingRules(baseline=FIRST, registry=CHECKS, decisions=None))


SCANNED = scanned()
STATED = Statement(
    id="S-1", control="stored-data-encrypted", device=None, tag="public-area", answer="yes", words=None,
    by="Imke Sandvoort", made="2026-03-01", until="2027-03-01", method="examine",
)  # fmt: skip


@pytest.fixture
def kept(url: str) -> Iterator[Store]:
    with opened(url) as found:
        found.save(SCANNED)
        yield found


def again(kept: Store, decisions: Decisions | None = None, checks: Registry = CHECKS) -> Rejudged:
    return rejudge(kept, "latest", lambda _: SECOND, checks, decisions)


def alike(found: Review, other: Review) -> None:
    """The same but for what names a review and its place in the chain."""
    head = replace(
        other.head,
        id=found.head.id,
        previous=found.head.previous,
        previous_digest=found.head.previous_digest,
        inputs=found.head.inputs,  # only a store keeps the files
    )
    assert to_document(found) == to_document(replace(other, head=head))


@pytest.mark.parametrize(
    "decisions",
    [None, Decisions(day="2026-03-10"), Decisions(day="2026-03-10", statements=(STATED,), mark="0" * 64)],
    ids=["no ledger", "an empty ledger", "a statement"],
)
@pytest.mark.slow
def test_it_comes_out_as_from_memory(kept: Store, decisions: Decisions | None) -> None:
    made = again(kept, decisions)
    found = kept.load(made.review.head.id)
    alike(found, rejudge_whole(SCANNED, JudgingRules(baseline=SECOND, registry=CHECKS, decisions=decisions)))
    shared = [r for r in found.findings if r.check in ("tls-shared-key", "ssh-shared-host-key")]
    assert len({r.device for r in shared}) == DEVICES // 3 + 1, "also those on other pages"
    stated = [o for seen in found.observations.values() for o in seen if o.kind == "statement-made"]
    assert len(stated) == (DEVICES // 5 + 1 if decisions and decisions.statements else 0)


@pytest.mark.slow
def test_what_is_shown_of_it_needs_no_results(kept: Store) -> None:
    made = again(kept)
    found = kept.load(made.review.head.id)
    must = {d.id: SECOND.must_determine for d in found.devices}
    assert made.tally == Tally.of(found.results, (d.id for d in found.devices), must)
    assert (made.review.results, made.review.observations) == ((), {})
    assert [d.label for d in made.review.devices] == [d.label for d in found.devices]
    assert made.review.head == found.head
    assert made.review.what_first == found.what_first
    assert exit_status(made.review, tally=made.tally) == exit_status(found, SECOND)


@pytest.mark.slow
def test_it_is_chained_to_the_original_which_stays(kept: Store) -> None:
    before = kept.load("latest")
    made = again(kept)
    assert kept.load(SCANNED.head.id) == before
    assert (made.review.head.judged_from, made.review.head.previous) == (SCANNED.head.id,) * 2
    assert [(one.devices, one.intact) for one in kept.reviews()] == [(DEVICES, True)] * 2
    third = again(kept)
    assert third.review.head.judged_from == SCANNED.head.id, "observations are those of the scan"
    assert all(one.intact for one in kept.reviews())


# ------------------------------------------------------------------------------------------------- when it goes wrong


def count(kept: Store) -> tuple[int, int, int]:
    """Reviews, devices that they claim, and rows of devices."""
    with kept.reading() as db:
        heads = db.execute(sa.text("select count(*), sum(devices) from reviews")).one()
        return heads[0], heads[1], db.execute(sa.text("select count(*) from parts")).scalar_one()


def unknown_baseline(kept: Store) -> None:
    rejudge(kept, "latest", lambda _: baseline.load("none", CHECKS), CHECKS)


def interrupted(kept: Store) -> None:
    """Ctrl-C on a page after the first."""
    seen = 0
    telnet = CHECKS.get("cleartext-telnet")

    def judge(seen_device: Any, expect: Any) -> Any:
        nonlocal seen
        seen += 1
        if seen > PAGE + 10:
            raise KeyboardInterrupt
        return telnet.judge(seen_device, expect)

    checks = replace(CHECKS, checks={**CHECKS.checks, telnet.id: replace(telnet, judge=judge)})
    many = replace(
        SCANNED, devices=tuple(replace(d, id=f"{d.id}-{k}") for k in range(3) for d in SCANNED.devices)
    )
    many = replace(
        many,
        head=replace(many.head, id="many"),
        results=(),
        observations={d.id: SCANNED.observations[d.id[:7]] for d in many.devices},
    )
    kept.save(many)
    with pytest.raises(KeyboardInterrupt):
        again(kept, checks=checks)
    raise StoreRefused("as expected")


def changed(statement: str, packed: str | None = None) -> Callable[[Store], None]:
    def run(kept: Store) -> None:
        with kept.adding() as db:
            values = {} if packed is None else {"packed": pack(packed)}
            assert db.execute(sa.text(statement), values).rowcount
        again(kept)

    return run


@pytest.mark.slow
@pytest.mark.parametrize(
    ("go_wrong", "error", "says"),
    [
        (unknown_baseline, UnknownName, "there is no baseline 'none'"),
        (interrupted, StoreRefused, "as expected"),
        (
            changed("update parts set observations = :packed where number = 41", "[{}]"),
            StoreRefused,
            "cannot be read",
        ),
        (
            changed("update parts set observations = :packed where number = 41", "5"),
            StoreRefused,
            "cannot be read",
        ),
        (changed("update parts set record = '{}' where number = 0"), StoreRefused, "cannot be read"),
        (changed("update parts set record = '[' where number = 41"), StoreRefused, "cannot be read"),
        (
            changed("delete from parts where number = 41"),
            StoreRefused,
            f"{DEVICES - 1} of its {DEVICES} devices are there",
        ),
        (changed("update reviews set document = '{'"), StoreRefused, "cannot be read (JSONDecodeError)"),
    ],
    ids=["baseline", "Ctrl-C", "an entry", "a list", "a device", "no JSON", "a device is gone", "the head"],
)
def test_what_goes_wrong_stores_nothing(
    kept: Store, go_wrong: Any, error: type[Exception], says: str
) -> None:
    with pytest.raises(error) as caught:
        go_wrong(kept)
    assert says in str(caught.value) and "\n" not in str(caught.value)
    reviews, claimed, parts = count(kept)
    gone = 1 if "of its" in says else 0
    assert parts == claimed - gone, "no row is left of what was not finished"
    assert reviews == (2 if go_wrong is interrupted else 1)


def test_a_broken_check_costs_its_own_result(kept: Store) -> None:
    def broken(_: Any, __: Any) -> Any:
        raise ZeroDivisionError("1 / 0")

    telnet = replace(CHECKS.get("cleartext-telnet"), judge=broken)
    made = again(kept, checks=replace(CHECKS, checks={**CHECKS.checks, telnet.id: telnet}))
    found = kept.load(made.review.head.id)
    assert {r.result for r in found.results if r.check == telnet.id} == {Word.ERROR}
    assert made.tally.broken == {d.id for d in found.devices}
    assert exit_status(made.review, tally=made.tally) == INCOMPLETE


def test_statements_count_for_the_devices_they_are_about() -> None:
    tagged = [d for d in SCANNED.devices if STATED.covers(d)]
    assert len(tagged) == DEVICES // 5 + 1
    assert statements.answered(tagged, lambda _: (), [STATED], "2026-03-10")[0].state == "answered"
