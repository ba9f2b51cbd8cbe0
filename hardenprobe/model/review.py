"""A review: one scan judged. It mirrors the JSON document `hardenprobe.review/1` field for field."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, TypeVar

from hardenprobe.errors import FileInvalid
from hardenprobe.model.decision import Answered, ExceptionNote
from hardenprobe.model.device import BaselineRule, Device
from hardenprobe.model.observation import Cost, Observation, Reach, Vantage
from hardenprobe.model.result import Advice, CheckNote, Result, Word

K = TypeVar("K")

FORMAT = "hardenprobe.review/1"


NOT_PLANNED = "not planned"  # why a listed device was not met by a scan of other addresses
NOT_HEARD = "no traffic in the captures"  # why it was not met by a review of captured traffic


@dataclass(frozen=True, slots=True, kw_only=True)
class Unlisted:
    """An address where a device answered that the inventory does not hold."""

    address: str
    device: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Missed:
    """A device of the inventory that was not met.

    Attributes:
        why: "silent", "refused every port", "not planned", or what else kept it away.
    """

    asset_tag: str
    addresses: tuple[str, ...]
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Elsewhere:
    """A listed device that was met, and not as it is listed.

    Attributes:
        what: "address": it was met where it is not listed; "name": it calls itself by none of its listed names.
        listed: What the inventory says.
        seen: What it was met at, or what it calls itself; device text.
    """

    asset_tag: str
    device: str
    what: Literal["address", "name"]
    listed: tuple[str, ...]
    seen: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RetiredSeen:
    """A device that was taken out of the fleet, and answers.

    Attributes:
        label: What it was called when it was retired.
        addresses: Where it was met.
        retired_on: Day (UTC).
        entry: Id of the retirement in the ledger.
        known_by: What tells that it is the same one: "serial", "asset-tag", "printer-uuid", "engine-id", "host-key"; or
            "id" where only a name or an address does, which another device may have by now.
    """

    device: str
    label: str
    addresses: tuple[str, ...]
    retired_on: str
    entry: str
    known_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Rechecked:
    """A finding of an earlier review that this one asked about again.

    Attributes:
        finding: Its key.
        device: Id.
        check: Id.
    """

    finding: str
    device: str
    check: str


def checks_of(rechecked: Iterable[Rechecked]) -> dict[str, frozenset[str]]:
    """Device to the checks whose findings were asked about again."""
    found: dict[str, set[str]] = {}
    for one in rechecked:
        found.setdefault(one.device, set()).add(one.check)
    return {device: frozenset(checks) for device, checks in found.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Merged:
    """A device that earlier reviews took for several.

    Attributes:
        device: The id that it keeps.
        formerly: The ids that it had besides.
    """

    device: str
    formerly: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NotAssessed:
    """An address of a device that was met, which the scan left out.

    Attributes:
        told_by: snmp, mdns, link or dns.
    """

    address: str
    device: str
    told_by: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadCapture:
    """A capture file whose traffic a review rests on. The file itself is not kept.

    Attributes:
        name: Without the folder.
        place: Where the traffic was seen, in people's words.
        first, last: When its first and last packet passed, by the clock of the capture; UTC, ISO 8601 with Z.
        lost: Packets that the capturing machine says it lost; None where the file does not say.
        others: Addresses beside those of devices; they are counted and not kept. At most 100,000 are told apart.
        notices: What else limits it: what could not be read, gaps, limits that were reached.
    """

    name: str
    sha256: str
    size: int
    place: str
    first: str
    last: str
    packets: int
    lost: int | None = None
    others: int = 0
    notices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """What the scan set out to see and what it saw, in addresses; and inventory and ledger against it.

    Attributes:
        listed_seen: Asset tags of the listed devices that were met.
        seen_elsewhere: Those of them that were met otherwise than listed.
        retired_seen: Devices that were taken out of the fleet, and answer.
        targets: What was asked, as first and last address.
        not_assessed: Addresses that met devices are known to have besides, and that were not assessed.
        merged: Devices that earlier reviews took for several each.
        accepted, not_accepted: Ids of the devices that were met, by whether their last step was that they were accepted;
            both empty while the store holds no acceptance at all.
        captures: Of a review of captured traffic, what was read.
    """

    planned: int = 0
    visited: int = 0
    answered: int = 0
    listed_not_seen: tuple[Missed, ...] = ()
    seen_not_listed: tuple[Unlisted, ...] = ()
    excluded: tuple[str, ...] = ()
    unfinished: tuple[str, ...] = ()
    tcp_ports: tuple[int, ...] = ()
    udp_ports: tuple[int, ...] = ()
    listed_seen: tuple[str, ...] = ()
    seen_elsewhere: tuple[Elsewhere, ...] = ()
    retired_seen: tuple[RetiredSeen, ...] = ()
    accepted: tuple[str, ...] = ()
    not_accepted: tuple[str, ...] = ()
    targets: tuple[str, ...] = ()
    not_assessed: tuple[NotAssessed, ...] = ()
    merged: tuple[Merged, ...] = ()
    captures: tuple[ReadCapture, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """Whether our own clock can be trusted, and how that is known.

    Attributes:
        now: UTC, ISO 8601 with Z: when the scan began.
        offset: Seconds that the reference is ahead of our clock, None where it was not measured.
        reference: The time server that it was measured against.
    """

    now: str
    proven: bool
    how: str
    offset: float | None = None
    reference: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Captured:
    """The file that a scan's packets were captured to.

    Attributes:
        file: Its name, without the folder.
        size: Bytes of the file as the review left it. A scan that goes on adds to the file and changes none of them.
        sha256: Of those bytes, in hex.
        packets: How many they hold; the first is number 1.
        lost: How many more there were: dropped by the kernel, or sent in a flood. Of the last run, where a scan went on.
    """

    file: str
    size: int
    sha256: str
    packets: int
    lost: int = 0


UNPROVEN = Clock(now="1970-01-01T00:00:00Z", proven=False, how="nobody asked")


@dataclass(frozen=True, slots=True, kw_only=True)
class UsedFile:
    """A file or document that a review rests on; its bytes are kept beside the review under their digest.

    Attributes:
        name: Without the folder.
        of: Of a baseline and the files that it extends: the hash of the baseline, as `Device.baseline` names it.
    """

    role: Literal["plan", "scope", "inventory", "baseline", "rule-set", "trust-anchors"]
    name: str
    sha256: str
    of: str | None = None


@dataclass(frozen=True, kw_only=True)
class InputFile:
    """A file that a review rests on, with its bytes."""

    used: UsedFile
    data: bytes = field(repr=False)

    @classmethod
    def of(cls, role: Any, name: str, data: bytes, of: str | None = None) -> InputFile:
        """A file of these bytes; the arguments are those of `UsedFile`."""
        sha256 = hashlib.sha256(data).hexdigest()
        return cls(used=UsedFile(role=role, name=name, sha256=sha256, of=of), data=data)

    @classmethod
    def read(cls, role: Any, path: Path, of: str | None = None) -> InputFile:
        """A file as it is now.

        Raises:
            FileInvalid: It cannot be read.
        """
        try:
            return cls.of(role, path.name, path.read_bytes(), of)
        except OSError as exc:
            raise FileInvalid(str(path), None, f"cannot be read: {exc.strerror}") from exc


@dataclass(frozen=True, slots=True, kw_only=True)
class Lease:
    """Devices of another owner, who agreed to the scan."""

    owner: str
    agreed_by: str
    networks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Authorisation:
    """What a scan was allowed, by whom and until when: the scope as it stood then.

    Attributes:
        file_hash: SHA-256 of the scope file, None for this machine itself, which needs none.
        until: Last day of the authorisation, None for no end.
        window: The hours of a day and their zone, None for any hour.
        public: Those of the networks that the file calls public.
        sources: The testers' own addresses; empty where any will do.
        reach: The furthest reach.
        grants: What was granted by name; None where everything was.
        gentleness: The waits and ceilings that held: the tighter of baseline and scope.
        contacts: The monitoring team.
        abort: Who can call the scan off.
    """

    file_hash: str | None
    authorised_by: str
    until: str | None
    networks: tuple[str, ...]
    public: tuple[str, ...]
    excluded: tuple[str, ...]
    leased: tuple[Lease, ...]
    sources: tuple[str, ...]
    window: str | None
    stop_file: str | None
    reach: Reach
    grants: tuple[str, ...] | None
    gentleness: dict[str, float]
    contacts: tuple[str, ...]
    abort: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """Who asked what, when, how far and at which cost.

    Attributes:
        previous: Id of the review before it under the same scope, None for the first.
        previous_digest: Digest of that review as stored; breaks when one is changed or left out.
        seed: Of the order in which addresses were visited.
        resumed_from: Id of the interrupted scan that this one went on with.
        port_offset: Added to every port at the door, 0 outside a lab.
        judged_from: Id of the review whose observations were judged again, None for a scan.
        selected: Ids of the checks that were asked for.
        rechecks: Id of the review whose findings were asked about again, None for a scan. Such a review says nothing of
            what it did not ask: it is never the latest, nor part of a course of findings.
        rechecked: Those findings; only their checks judge, and only their devices.
        interrupted: Somebody stopped the scan, or its window closed, before it was done.
        baselines: How a baseline was chosen for each device, the first rule that fits.
        authorisation: The scope that it ran under, None in reviews that did not keep it.
        ledger: Digest of the newest entry of the ledger that it was judged with, None where that was empty.
        decided_on: Day (UTC) by which exceptions and statements ran when it was judged, None where none were looked at.
        capture: The scan's packets, None where they were not captured.
        narrowed: By what the scan assessed less than the whole: "only", "except", "ports", or "traffic" for a review of
            captured traffic. What such a review does not name may be open, so it is no point of a trend.
        due_days: Name of each baseline to its days for remediation, by severity; None for as many as it takes.
        usage_days: Name of each baseline to the days without use that it asks for before a change at once; empty in reviews
            that did not keep them.
        inputs: The files that it rests on, as they were; empty in reviews that did not keep them.
        operator: The account that ran it, by the operating system's account database.
        stated_operator: The person whom the command names beside it, None where it names nobody.
        imported: Digest (SHA-512) of the bag that it was taken from, None for one that was made here.
    """

    id: str
    started: str
    finished: str | None
    operator: str
    scope: str
    reach: Reach
    plan_hash: str
    authorisation: Authorisation | None = None
    previous: str | None = None
    previous_digest: str | None = None
    seed: int = 0
    resumed_from: str | None = None
    port_offset: int = 0
    judged_from: str | None = None
    selected: tuple[str, ...] = ()
    rechecks: str | None = None
    rechecked: tuple[Rechecked, ...] = ()
    interrupted: bool = False
    baselines: tuple[BaselineRule, ...] = ()
    ledger: str | None = None
    decided_on: str | None = None
    clock: Clock = UNPROVEN
    versions: Mapping[str, str] = field(default_factory=dict)
    cost: Cost = field(default_factory=Cost)
    capture: Captured | None = None
    narrowed: tuple[str, ...] = ()
    due_days: Mapping[str, Mapping[str, int | None]] = field(default_factory=dict)
    usage_days: Mapping[str, int] = field(default_factory=dict)
    inputs: tuple[UsedFile, ...] = ()
    imported: str | None = None
    stated_operator: str | None = None

    @property
    def narrow(self) -> bool:
        """Whether it assessed less than the whole, so that what it does not name may be open."""
        return bool(self.narrowed or self.rechecks) or not self.reach.admits(Reach.LOOK)

    @property
    def asked_by(self) -> str:
        """Who ran it, for people: the person who is named, and the account."""
        return f"{self.stated_operator} (account {self.operator})" if self.stated_operator else self.operator


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """One scan, judged. `observations` maps a device id to what was seen of it."""

    head: Head
    coverage: Coverage
    vantages: tuple[Vantage, ...]
    devices: Sequence[Device]
    results: Sequence[Result]
    observations: Mapping[str, tuple[Observation[Any], ...]]
    checks: tuple[CheckNote, ...] = ()
    what_first: tuple[Advice, ...] = ()
    notices: tuple[str, ...] = ()
    exceptions: tuple[ExceptionNote, ...] = ()
    statements: tuple[Answered, ...] = ()

    @property
    def findings(self) -> tuple[Result, ...]:
        """Failed results, whether or not an exception runs."""
        return tuple(r for r in self.results if r.result is Word.FAIL)

    def of(self, device: Device | str) -> tuple[Result, ...]:
        """The results of one device, given itself or its id."""
        id = device if isinstance(device, str) else device.id
        return tuple(r for r in self.results if r.device == id)

    def findings_by(self, key: Callable[[Result], K]) -> dict[K, tuple[Result, ...]]:
        """The findings, grouped: by check with `lambda result: result.check`, for example.

        Args:
            key: Gives the group of a finding.
        """
        groups: dict[K, list[Result]] = {}
        for finding in self.findings:
            groups.setdefault(key(finding), []).append(finding)
        return {name: tuple(group) for name, group in groups.items()}


def new_id() -> str:
    """A review's id: its start in UTC, then randomness so that two scans of one second differ."""
    return f"{datetime.now(UTC):%Y%m%d-%H%M%S}-{secrets.token_hex(3)}"
