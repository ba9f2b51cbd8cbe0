"""Make of captures what a scan makes of questions: devices and observations, nothing judged. Not one packet is sent.

Only addresses of the inventory, and of the scope where one is given, become devices; others are counted.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field, replace
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from hardenprobe.baseline import selection
from hardenprobe.baseline.files import files_of
from hardenprobe.devices import identity
from hardenprobe.devices import inventory as inventories
from hardenprobe.devices.inventory import Inventory
from hardenprobe.devices.matching import Met
from hardenprobe.devices.visit_notes import VisitNotes
from hardenprobe.errors import FileInvalid, UsageError
from hardenprobe.facts import AddressAsked
from hardenprobe.listening.datagrams import Datagrams
from hardenprobe.listening.heard import Heard, Terms, moment
from hardenprobe.listening.services import Service, open_port
from hardenprobe.listening.streams import Listener, Streams
from hardenprobe.listening.tls import TlsPorts
from hardenprobe.listening.traffic import OTHERS, Traffic
from hardenprobe.model import (
    INVENTORY,
    NOT_HEARD,
    Clock,
    Coverage,
    Head,
    InputFile,
    Reach,
    ReadCapture,
    Vantage,
)
from hardenprobe.model.document import canonical
from hardenprobe.model.observed import Observed
from hardenprobe.model.review import new_id
from hardenprobe.model.transcript import utc_now
from hardenprobe.model.versions import versions
from hardenprobe.model.visit import Visit
from hardenprobe.plugins.registry import Registry
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.scope import scope_file
from hardenprobe.scope.accounts import operator
from hardenprobe.scope.scope import Scope
from hardenprobe.usage import files
from hardenprobe.usage.packet_file import PacketFile

NO_SCOPE = "traffic"  # what a review belongs to that has no scope
NARROW = "traffic"
_UNVERIFIED = "times are those of the capture, whose clock is not verified"


@dataclass(frozen=True, kw_only=True)
class ListenJob:
    """What is read, and what of it becomes a review.

    Attributes:
        captures: Capture files, in the order in which they were made.
        place: Where the traffic was seen, in people's words.
        scope: Whose networks devices must be in; None for all of the inventory.
        port_offset: Added to every port of a lab.
        inputs: The files that the review will rest on.
        past: The devices that earlier reviews of the scope met.
    """

    captures: tuple[Path, ...]
    place: str
    inventory: Inventory
    expected: selection.Choice
    registry: Registry
    scope: Scope | None = None
    anchors: TrustAnchors = field(default_factory=TrustAnchors)
    stated_operator: str | None = None
    port_offset: int = 0
    inputs: tuple[InputFile, ...] = ()
    past: Sequence[Met] = ()

    def __post_init__(self) -> None:
        if not self.place or self.place == INVENTORY:
            raise UsageError(f"the place of a capture is {self.place!r}; say where the traffic was seen")
        if not self.addresses:
            raise UsageError("no address of the inventory is in the scope; only traffic of devices is read")

    @classmethod
    def prepare(
        cls,
        captures: Iterable[Path],
        place: str,
        inventory: Path,
        *,
        scope: Path | None = None,
        baseline: str | None = None,
        trust_anchors: Iterable[Path] = (),
        system_anchors: bool = True,
        registry: Registry,
        stated_operator: str | None = None,
        port_offset: int = 0,
    ) -> ListenJob:
        """Load what a listening names.

        Raises:
            UsageError: Something that was asked for is impossible, or a file is wrong.
        """
        known = inventories.load(inventory)
        named = (("scope", scope), ("inventory", inventory))
        return cls(
            captures=tuple(captures),
            place=" ".join(place.split()),
            inventory=known,
            expected=selection.choose(known.baselines, registry, baseline),
            registry=registry,
            scope=scope_file.load(scope) if scope else None,
            anchors=TrustAnchors.load(trust_anchors, system=system_anchors),
            stated_operator=stated_operator,
            port_offset=port_offset,
            inputs=tuple(InputFile.read(role, path) for role, path in named if path),
        )

    @property
    def addresses(self) -> tuple[str, ...]:
        """Those whose traffic is read."""
        allowed = self.scope.networks - self.scope.exclude if self.scope else None
        return tuple(a for a in self.inventory.by_address if allowed is None or ip_address(a) in allowed)

    @property
    def scope_name(self) -> str:
        """What the review belongs to."""
        return self.scope.name if self.scope else NO_SCOPE

    @property
    def terms(self) -> Terms:
        """What decides how traffic is read."""
        declared = (s.port for one in self.inventory.devices for s in one.services)
        web = self.expected.web
        named = (*self.expected.http_paths, *web.ipp, *web.scan, *(page.path for page in web.settings_pages))
        return Terms(
            vantage=self.place,
            ports=frozenset((*self.expected.tcp_ports, *declared)),
            communities=self.expected.communities,
            paths=frozenset(named),
            anchors=self.anchors,
            port_offset=self.port_offset,
        )


def run(job: ListenJob) -> tuple[Observed, tuple[InputFile, ...]]:
    """Read captures.

    Returns:
        What was observed, and the files that it rests on.

    Raises:
        FileInvalid: One cannot be read, is no capture, or holds no packet.
    """
    now, code = utc_now(), versions()
    table = _Table(job)
    captures = tuple(table.read(path) for path in job.captures)
    table.traffic.finish()
    visits = VisitNotes()
    for visit in table.visits():
        visits.add(visit)
    visits.sort(lambda visit: identity.ip_key(visit.address))
    plan = InputFile.of("plan", "plan.json", canonical(_plan(job, captures)))
    coverage = Coverage(
        planned=len(job.addresses),
        tcp_ports=tuple(sorted(table.terms.ports)),
        targets=tuple(f"{address}-{address}" for address in job.addresses),
    )
    inputs = (plan, *job.inputs, *files_of(job.expected))
    fleet = identity.settle(visits, job.inventory, {}, coverage, past=job.past)
    head = Head(
        id=new_id(),
        started=now,
        finished=utc_now(),
        operator=operator(),
        stated_operator=job.stated_operator,
        scope=job.scope_name,
        reach=Reach.LISTEN,
        plan_hash=plan.used.sha256,
        port_offset=job.port_offset,
        selected=tuple(sorted(job.registry.select((), ()))),
        narrowed=(NARROW,),
        clock=Clock(now=now, proven=False, how=_UNVERIFIED),
        versions=code,
        inputs=tuple(one.used for one in inputs),
    )
    observed = Observed(
        head=head,
        coverage=replace(
            fleet.coverage,
            captures=captures,
            listed_not_seen=tuple(replace(one, why=NOT_HEARD) for one in fleet.coverage.listed_not_seen),
        ),
        vantages=(Vantage(name=job.place),),
        rows=fleet,
        texts=visits.texts,
        notices=tuple(_notices(table.limits(), captures, fleet.notices, job)),
    )
    return observed, inputs


class _Table:
    """What is heard of every address, and the traffic that tells it."""

    def __init__(self, job: ListenJob) -> None:
        self.terms = job.terms
        self._heard: dict[bytes, tuple[Heard, TlsPorts, Datagrams]] = {}
        self._addresses = {ip_address(one).packed: one for one in job.addresses}
        self.other_ports = 0
        self.streams = Streams(self._begin, self._joins)
        self.traffic = Traffic(self._addresses, self.streams, self._datagram)
        self._place = job.place

    def read(self, path: Path) -> ReadCapture:
        """Read one capture.

        Raises:
            FileInvalid: It cannot be read, is no capture, or holds no packet.
        """
        traffic, others = self.traffic, len(self.traffic.others)
        traffic.packets, traffic.earliest, traffic.latest = 0, None, None
        before = self._limits()
        with files.opened(path) as opened:
            packets = PacketFile(opened)
            traffic.read(packets.packets())
        if traffic.earliest is None or traffic.latest is None:
            raise FileInvalid(str(path), None, "holds no packet, so it covers no period")
        unread = [
            f"{n} packets have link type {link}, which is not read" for link, n in traffic.unread.items()
        ]
        traffic.unread.clear()
        more = [f"{packets.untimed} packets have no time of their own"] if packets.untimed else []
        more += [f"not all of the file was read: {packets.fault}"] if packets.fault else []
        digest, size = _digest(path)
        return ReadCapture(
            name=path.name,
            sha256=digest,
            size=size,
            place=self._place,
            first=moment(traffic.earliest),
            last=moment(traffic.latest),
            packets=traffic.packets,
            lost=packets.dropped,
            others=len(traffic.others) - others,
            notices=(*_since(before, self._limits()), *unread, *more),
        )

    def _limits(self) -> dict[str, int]:
        traffic, streams = self.traffic, self.streams
        return {
            "the clock of the capture went back {} times": traffic.steps,
            "{} packets of devices were cut when they were captured": traffic.snapped,
            "{} datagrams in fragments could not be put together": traffic.fragments.lost,
            "{} sides of connections have gaps, and were read as far as those": streams.gaps,
            "{} connections began before the capture, so that only their ports count": streams.joined,
            "{} connections were given up, since too many were open at once": streams.cut,
        }

    def limits(self) -> tuple[str, ...]:
        """What limits the reading as a whole, after its end."""
        heard = [one for one, _, _ in self._heard.values()]
        left_out = sum(one.left_out for one in heard)
        said = []
        if self.other_ports:
            said.append(
                f"{self.other_ports} connections went to ports of devices that no baseline names, and were left out"
            )
        if left_out:
            said.append(f"{left_out} observations are left out: too many of one address")
        if len(self.traffic.others) >= OTHERS:
            said.append(f"more than {OTHERS} other addresses were seen")
        return tuple(said)

    def visits(self) -> Iterable[Visit]:
        """What was heard of each address that sent anything."""
        for packed, seconds in self.traffic.met.items():
            heard, tls, _ = self._of(packed)
            tls.finish()
            asked = AddressAsked(address=heard.address, outcome="answered")
            began = heard.observe(asked, None, seconds)
            yield Visit(
                address=heard.address,
                vantage=self.terms.vantage,
                outcome="answered",
                observations=(began, *heard.observations),
            )

    def _of(self, packed: bytes) -> tuple[Heard, TlsPorts, Datagrams]:
        known = self._heard.get(packed)
        if known is None:
            heard = Heard(address=str(ip_address(packed)), terms=self.terms)
            known = self._heard[packed] = (heard, TlsPorts(heard), Datagrams(heard))
        return known

    def _assigned(self, end: bytes) -> int:
        return int.from_bytes(end[-2:], "big") - self.terms.port_offset

    def _begin(self, client: bytes, server: bytes) -> Listener | None:
        if server[:-2] not in self._addresses:
            return None
        if (port := self._assigned(server)) not in self.terms.ports:
            self.other_ports += 1
            return None
        heard, tls, _ = self._of(server[:-2])
        return Service(heard, tls, port)

    def _joins(self, client: bytes, server: bytes, seconds: float) -> None:
        """A server speaks within a connection whose beginning is missing: its port is open."""
        port = self._assigned(server)
        if server[:-2] in self._addresses and port in self.terms.ports:
            open_port(self._of(server[:-2])[0], port, b"", seconds)

    def _datagram(self, source: bytes, target: bytes, data: bytes, seconds: float) -> None:
        if source[:-2] in self._addresses:
            datagrams = self._of(source[:-2])[2]
            datagrams.sent(self._assigned(source), self._assigned(target), data, seconds)


def _since(before: dict[str, int], now: dict[str, int]) -> Iterable[str]:
    return (text.format(count - before[text]) for text, count in now.items() if count > before[text])


def _plan(job: ListenJob, captures: Iterable[ReadCapture]) -> dict[str, Any]:
    """What the review was to read, in plain JSON types."""
    return {
        "listen": [asdict(one) for one in captures],
        "reach": Reach.LISTEN.value,
        "scope": job.scope_name,
        "addresses": list(job.addresses),
        "inventory": job.inventory.hash,
        "port_offset": job.port_offset,
    }


def _notices(
    limits: Iterable[str], captures: Iterable[ReadCapture], fleet: Iterable[str], job: ListenJob
) -> Iterable[str]:
    yield (
        "a review of captured traffic: it shows what was used while it was captured, at one place; what it does not show may be "
        "open, so nothing passes and it is left out of trends"
    )
    for one in captures:
        lost = "not stated" if one.lost is None else f"{one.lost:,}"
        yield (
            f"{one.name}: {one.packets:,} packets from {one.first} to {one.last}, seen at {one.place}; lost while capturing: {lost}; "
            f"{one.others:,} other addresses"
        )
        yield from (f"{one.name}: {notice}" for notice in one.notices)
    yield from limits
    yield from fleet
    yield from (str(broken) for broken in job.registry.broken)


def _digest(path: Path) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    with path.open("rb") as file:
        while piece := file.read(files.PIECE):
            digest.update(piece)
            size += len(piece)
    return digest.hexdigest(), size
