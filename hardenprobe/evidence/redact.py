"""A review without what could tell whose devices these are.

Every record is made anew, field by field, of what is known to be harmless: words of fixed lists, numbers, days, and text
that comes with hardenprobe. Names, serials, addresses and ids become pseudonyms, and every list of them is in the order of
pseudonyms, so that a place in it tells nothing; costs are rounded; free text and what devices said is left out. A field that
is added to a record later is therefore left out too, until somebody writes it here. Checks, remedies and baselines that do not
come with hardenprobe may be named after their owner, and get pseudonyms too.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable
from typing import Any, TypeVar

from hardenprobe.baseline import baseline
from hardenprobe.evidence.pseudonyms import Pseudonyms
from hardenprobe.evidence.source import DeviceEvidence, Source
from hardenprobe.model import (
    KINDS,
    NOT_HEARD,
    NOT_PLANNED,
    Accepted,
    Address,
    Advice,
    Answered,
    CheckNote,
    Clock,
    Cost,
    Coverage,
    Device,
    DeviceAdvice,
    Endpoint,
    ExceptionNote,
    Head,
    Identity,
    Lapsed,
    Missed,
    Named,
    Rechecked,
    Remedy,
    Result,
    Review,
    Said,
    Service,
    Unlisted,
    Vantage,
)
from hardenprobe.model.document import canonical, dump
from hardenprobe.model.rows import Part
from hardenprobe.model.usage import UsageSource, Use
from hardenprobe.model.versions import versions
from hardenprobe.plugins import registry
from hardenprobe.plugins.registry import BUILT_IN
from hardenprobe.standards.rule_files import shipped_baselines

T = TypeVar("T")

WITHHELD = "withheld"
_WHYS = ("silent", "refused every port", NOT_PLANNED, NOT_HEARD)
_SOURCES = (
    "inventory",
    "scan",
    "snmp",
    "http",
    "https",
    "tls",
    "ssh",
    "ipp",
    "mdns",
    "ssdp",
    "ws-discovery",
    "telnet",
    "ftp",
)


def foreign_remedies(source: Source) -> frozenset[str]:
    """Ids of the remedies that only third-party checks name."""
    by_origin: dict[bool, set[str]] = {True: set(), False: set()}
    for one in source.devices():
        for result in one.results:
            if result.remedy:
                by_origin[result.origin == BUILT_IN].add(result.remedy)
    return frozenset(by_origin[False] - by_origin[True])


def _shipped() -> frozenset[Named]:
    """The baselines that ship with this version, as devices name them."""
    checks = registry.load(plugins=False)
    found = (baseline.load(name, checks) for name in shipped_baselines())
    return frozenset(Named(name=one.name, hash=one.hash) for one in found)


def _sorted(made: Iterable[T], key: Callable[[T], Any]) -> tuple[T, ...]:
    return tuple(sorted(made, key=key))


def _rounded(cost: Cost) -> Cost:
    """To tens, thousands of bytes and tens of seconds: exact costs identify a scan to anyone who counted them too."""
    return Cost(
        connections=round(cost.connections, -1),
        datagrams=round(cost.datagrams, -1),
        bytes_sent=round(cost.bytes_sent, -3),
        bytes_received=round(cost.bytes_received, -3),
        seconds=float(round(cost.seconds, -1)),
    )


class Redaction:
    """Redacts one review under one key.

    Args:
        foreign: Ids of remedies that do not come with hardenprobe.
    """

    def __init__(self, pseudonyms: Pseudonyms, foreign: Container[str] = ()) -> None:
        self._as = pseudonyms
        self._foreign = foreign
        self._baselines = _shipped()

    def outline(self, review: Review, cites: str) -> Review:
        """The review without its devices.

        Args:
            cites: Digest of the full bag.
        """
        head = review.head
        foreign = {note.id for note in review.checks if note.origin != BUILT_IN}
        known = versions().keys()
        return Review(
            head=Head(
                id=head.id,
                started=head.started,
                finished=head.finished,
                operator=self._as.of("person", head.operator),
                stated_operator=self._as.maybe("person", head.stated_operator),
                scope=self._as.of("scope", head.scope),
                reach=head.reach,
                plan_hash=WITHHELD,
                previous=head.previous,
                seed=0,
                resumed_from=head.resumed_from,
                port_offset=head.port_offset,
                judged_from=head.judged_from,
                selected=tuple(self._as.of("check", one) if one in foreign else one for one in head.selected),
                rechecks=head.rechecks,
                rechecked=tuple(
                    Rechecked(
                        finding=self._as.of("finding", one.finding),
                        device=self._as.of("device", one.device),
                        check=self._as.of("check", one.check) if one.check in foreign else one.check,
                    )
                    for one in sorted(head.rechecked, key=lambda one: self._as.of("finding", one.finding))
                ),
                interrupted=head.interrupted,
                narrowed=head.narrowed,
                decided_on=head.decided_on,
                clock=Clock(now=head.clock.now, proven=head.clock.proven, how=WITHHELD),
                versions={name: said for name, said in head.versions.items() if name in known},
                cost=head.cost,
            ),
            coverage=self._coverage(review.coverage),
            vantages=_sorted(
                (
                    Vantage(
                        name=self._as.of("vantage", one.name),
                        source=self._as.maybe("address", one.source),
                        on_link=one.on_link,
                        translated=one.translated,
                        sources=tuple(sorted(self._as.of("address", source) for source in one.sources)),
                        families=one.families,
                        networks=tuple(sorted(self._as.of("network", network) for network in one.networks)),
                    )
                    for one in review.vantages
                ),
                lambda one: one.name,
            ),
            devices=(),
            results=(),
            observations={},
            checks=tuple(self._note(one) for one in review.checks),
            what_first=tuple(self._advice(one) for one in review.what_first),
            notices=(
                f"redacted: names, serials and addresses are pseudonyms, what devices said is left out; the full bag is {cites}",
            ),
            exceptions=tuple(self._exception(one) for one in review.exceptions),
            statements=tuple(self._answered(one) for one in review.statements),
        )

    def row(self, seen: DeviceEvidence) -> Part:
        """One device. Its observations are left out; results go on naming them, by pseudonyms."""
        device = self._device(seen.device)
        results = [self._result(one) for one in seen.results]
        record = {**dump(Device, device), "label": device.label}
        in_order = sorted(results, key=lambda one: (one.check, one.finding))
        return Part(
            device=device.id,
            record=canonical(record).decode(),
            observations="[]",
            results=canonical([dump(Result, one) for one in in_order]).decode(),
        )

    def usage(self, sources: Iterable[UsageSource]) -> tuple[UsageSource, ...]:
        """What evidence of use covers: to the day, without the file, its digest, and where it was seen."""
        return _sorted(
            (
                UsageSource(
                    id=self._as.of("usage", one.id),
                    kind=one.kind,
                    name=WITHHELD,
                    sha256=WITHHELD,
                    place=WITHHELD,
                    first=one.first[:10],
                    last=one.last[:10],
                    packets=round(one.packets, -3),
                    lost=one.lost if one.lost is None else round(one.lost, -3),
                    sampled=one.sampled,
                    clients="pseudonyms",
                    devices=self._all("address", one.devices),
                    expires=one.expires,
                )
                for one in sources
            ),
            lambda one: one.id,
        )

    def uses(self, uses: Iterable[Use]) -> tuple[Use, ...]:
        """Who used what: a client has the pseudonym that its address has everywhere; times are days, counts are rounded."""
        return _sorted(
            (
                Use(
                    source=self._as.of("usage", one.source),
                    client=self._as.of("address", one.client),
                    address=self._as.of("address", one.address),
                    transport=one.transport,
                    port=one.port,
                    first=one.first[:10],
                    last=one.last[:10],
                    conversations=max(1, round(one.conversations, -1)),
                    bytes_sent=round(one.bytes_sent, -3),
                    bytes_received=round(one.bytes_received, -3),
                )
                for one in uses
            ),
            lambda one: (one.source, one.address, one.transport, one.port, one.client),
        )

    def _device(self, device: Device) -> Device:
        return Device(
            id=self._as.of("device", device.id),
            addresses=_sorted(
                (
                    Address(address=self._as.of("address", a.address), family=a.family)
                    for a in device.addresses
                ),
                lambda one: one.address,
            ),
            names=self._all("name", device.names),
            kind=device.kind if device.kind in KINDS else "unknown",
            make_model=self._as.maybe("model", device.make_model),
            asset_tag=self._as.maybe("tag", device.asset_tag),
            place=self._as.maybe("place", device.place),
            owner=self._as.maybe("owner", device.owner),
            criticality=device.criticality,
            ccss=device.ccss,
            tags=self._all("tag", device.tags),
            baseline=self._baseline(device.baseline),
            identity=_sorted(
                (
                    Identity(
                        kind=one.kind,
                        value=self._as.of(one.kind, one.value),
                        source=one.source if one.source in _SOURCES else WITHHELD,
                        strength=one.strength,
                    )
                    for one in device.identity
                ),
                lambda one: (one.kind, one.value),
            ),
            services=_sorted(
                (
                    Service(
                        address=self._as.of("address", one.address),
                        transport=one.transport,
                        port=one.port,
                        state=one.state,
                        protocol=one.protocol,
                    )
                    for one in device.services
                ),
                lambda one: (one.address, one.transport, one.port),
            ),
            cost=_rounded(device.cost),
        )

    def _result(self, result: Result) -> Result:
        where = result.endpoint
        ours = result.origin == BUILT_IN
        return Result(
            finding=self._as.of("finding", result.finding),
            device=self._as.of("device", result.device),
            check=result.check if ours else self._as.of("check", result.check),
            check_version=result.check_version if ours else WITHHELD,
            origin=BUILT_IN if ours else self._as.of("origin", result.origin),
            endpoint=Endpoint(
                address=self._as.of("address", where.address),
                transport=where.transport,
                port=where.port,
                protocol=where.protocol,
                server_name=self._as.maybe("name", where.server_name),
                path=self._as.maybe("path", where.path),
            )
            if where
            else None,
            subject=self._as.maybe("subject", result.subject),
            vantage=self._as.of("vantage", result.vantage),
            result=result.result,
            reason=result.reason,
            score=result.score,
            severity=result.severity,
            vector=result.vector,
            temporal=result.temporal,
            environmental=result.environmental,
            observed=Said(text=WITHHELD),
            expected=Said(text=WITHHELD),
            remedy=self._remedy(result.remedy) if result.remedy else None,
            rule_set=result.rule_set if ours else None,
            controls=result.controls if ours else (),
            observations=self._all("observation", result.observations),
            exception=Accepted(id=result.exception.id, until=result.exception.until)
            if result.exception
            else None,
            lapsed=Lapsed(id=result.lapsed.id, why=WITHHELD) if result.lapsed else None,
        )

    def _coverage(self, coverage: Coverage) -> Coverage:
        return Coverage(
            planned=coverage.planned,
            visited=coverage.visited,
            answered=coverage.answered,
            listed_not_seen=_sorted(
                (
                    Missed(
                        asset_tag=self._as.of("tag", one.asset_tag),
                        addresses=self._all("address", one.addresses),
                        why=one.why if one.why in _WHYS else WITHHELD,
                    )
                    for one in coverage.listed_not_seen
                ),
                lambda one: one.asset_tag,
            ),
            seen_not_listed=_sorted(
                (
                    Unlisted(
                        address=self._as.of("address", u.address), device=self._as.of("device", u.device)
                    )
                    for u in coverage.seen_not_listed
                ),
                lambda one: one.address,
            ),
            excluded=self._all("network", coverage.excluded),
            unfinished=self._all("address", coverage.unfinished),
            tcp_ports=coverage.tcp_ports,
            udp_ports=coverage.udp_ports,
        )

    def _advice(self, advice: Advice) -> Advice:
        return Advice(
            rank=advice.rank,
            remedy=advice.remedy if advice.remedy.id not in self._foreign else self._withheld(advice.remedy),
            devices=self._all("device", advice.devices),
            findings=self._all("finding", advice.findings),
            risk_removed=advice.risk_removed,
            worst=advice.worst,
            waits_for=tuple(self._remedy(one) for one in advice.waits_for),
            placed=advice.placed,
            placed_before=advice.placed_before and self._remedy(advice.placed_before),
            on_devices=tuple(
                DeviceAdvice(
                    device=self._as.of("device", one.device),
                    waits_for=tuple(self._remedy(id) for id in one.waits_for),
                    administration_left=one.administration_left,
                )
                for one in advice.on_devices
            ),
        )

    def _remedy(self, id: str) -> str:
        return self._as.of("remedy", id) if id in self._foreign else id

    def _withheld(self, remedy: Remedy) -> Remedy:
        return Remedy(
            id=self._remedy(remedy.id),
            title=WITHHELD,
            steps=(WITHHELD,),
            confirm=WITHHELD,
            needs_first=WITHHELD,
            stops_working=WITHHELD,
            ask=WITHHELD,
            undo=WITHHELD,
            lock_out=WITHHELD,
            after=tuple(self._remedy(one) for one in remedy.after),
            general=remedy.general,
        )

    def _note(self, note: CheckNote) -> CheckNote:
        if note.origin == BUILT_IN:
            return note
        return CheckNote(
            id=self._as.of("check", note.id),
            title=WITHHELD,
            version=WITHHELD,
            origin=self._as.of("origin", note.origin),
            why=WITHHELD,
            references=(),
        )

    def _baseline(self, named: Named | None) -> Named | None:
        """A baseline that ships, unchanged, keeps its name; any other may be named after its owner."""
        if named is None or named in self._baselines:
            return named
        return Named(name=self._as.of("baseline", named.name), hash=self._as.of("hash", named.hash))

    def _all(self, kind: str, values: Iterable[str]) -> tuple[str, ...]:
        """The pseudonyms of values, in their own order."""
        return tuple(sorted(self._as.of(kind, one) for one in values))

    def _exception(self, note: ExceptionNote) -> ExceptionNote:
        return ExceptionNote(
            id=note.id,
            about=WITHHELD,
            reason=WITHHELD,
            compensating=WITHHELD,
            requested_by=self._as.of("person", note.requested_by),
            approved_by=self._as.of("person", note.approved_by),
            starts=note.starts,
            until=note.until,
            state=WITHHELD,
        )

    def _answered(self, one: Answered) -> Answered:
        return Answered(
            control=one.control,
            question=one.question,
            controls=one.controls,
            required=one.required,
            state=one.state,
            devices=self._all("device", one.devices),
            statement=one.statement,
            answer=one.answer,
            words=None,
            by=self._as.maybe("person", one.by),
            made=one.made,
            until=one.until,
            method=one.method,
        )
