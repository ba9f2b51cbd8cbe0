"""The records that pass between rooms. All frozen; none knows how it is stored or shown.

A `Review` mirrors the JSON document `hardenprobe.review/1` field for field.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Generic, Literal, TypeVar

from hardenprobe.records_fleet import Elsewhere, RetiredSeen
from hardenprobe.records_people import Answered, ExceptionNote, Lapsed

FORMAT = "hardenprobe.review/1"
NOT_PLANNED = "not planned"  # why a listed device was not met by a scan of other addresses
KINDS = ("printer", "multifunction", "scanner", "label-printer", "plotter")  # of device
INVENTORY = "inventory"  # the vantage of what was read and not asked


class Word(StrEnum):
    """The rule results of XCCDF 1.2 (NIST IR 7275 Rev. 4, table of rule-result values)."""

    PASS = "pass"
    FAIL = "fail"
    ERROR = "error"
    UNKNOWN = "unknown"
    NOTAPPLICABLE = "notapplicable"
    NOTCHECKED = "notchecked"
    NOTSELECTED = "notselected"
    INFORMATIONAL = "informational"


class Reason(StrEnum):
    """Why something could not be told, or from where it was told."""

    SILENT = "silent"
    DROPPED = "dropped"
    CEILING = "ceiling"
    WINDOW = "window"
    SCOPE = "scope"
    OFF_LINK = "off-link"
    NO_CREDENTIAL = "no-credential"
    REACH = "reach"
    INCONCLUSIVE = "inconclusive"
    CRASHED = "crashed"
    AMBIGUOUS = "ambiguous"


class Reach(StrEnum):
    """How far a probe goes, the gentlest first.

    Attributes:
        order: 0 for the gentlest.
    """

    order: int

    LOOK = "look"
    ASK = "ask"
    STRAIN = "strain"
    ALTER = "alter"

    def admits(self, other: Reach) -> bool:
        """Tell whether a scan that may go as far as this may run a probe of reach `other`."""
        return other.order <= self.order


for _order, _reach in enumerate(Reach):
    _reach.order = _order


class State(StrEnum):
    """What a port does when it is asked."""

    ACCEPTING = "accepting"
    REFUSING = "refusing"
    SILENT = "silent"


class Severity(StrEnum):
    """The qualitative ratings that the NVD uses with CVSS v2 scores."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


Transport = Literal["tcp", "udp"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Endpoint:
    """Where on a device something was asked.

    Attributes:
        address: RFC 5952 or dotted-quad text.
        port: 1 to 65535, as assigned; a lab's port offset is added at the door and never seen here.
        protocol: What is spoken there, as far as it is known ("telnet", "http", "tls", ...).
    """

    address: str
    transport: Transport
    port: int
    protocol: str | None = None
    server_name: str | None = None
    path: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What asking has cost the device; `seconds` is time on the line."""

    connections: int = 0
    datagrams: int = 0
    bytes_sent: int = 0
    bytes_received: int = 0
    seconds: float = 0.0

    def __add__(self, other: Cost) -> Cost:
        return Cost(
            connections=self.connections + other.connections,
            datagrams=self.datagrams + other.datagrams,
            bytes_sent=self.bytes_sent + other.bytes_sent,
            bytes_received=self.bytes_received + other.bytes_received,
            seconds=round(self.seconds + other.seconds, 6),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """One piece of a transcript.

    Attributes:
        at: Seconds since the observation's `asked_at`.
        direction: Seen from us.
        hex: The bytes, masked where they held a secret, cut where they were long.
        length: How many bytes there were before cutting.
    """

    at: float
    direction: Literal["sent", "received"]
    hex: str
    length: int


F = TypeVar("F")
F_co = TypeVar("F_co", covariant=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation(Generic[F_co]):
    """One fact that was seen, and the bytes that prove it. It has no opinion.

    Attributes:
        id: Digest of everything below but `packets`; the same observation always has the same id.
        endpoint: None for what was read from a file.
        vantage: Name of the vantage point.
        asked_at: UTC, ISO 8601 with Z.
        facts: A record of facts.py, or of a plug-in, decoded by its kind.
        packets: Which packets of the review's capture it rests on, as runs of numbers, first and last of each. They say
            where it was written down and not what was seen.
    """

    id: str
    endpoint: Endpoint | None
    vantage: str
    asked_at: str
    facts: F_co
    transcript: tuple[Exchange, ...] = ()
    packets: tuple[tuple[int, int], ...] = ()

    @property
    def kind(self) -> str:
        return str(getattr(self.facts, "kind"))  # noqa: B009 - the attribute is given by @facts


@dataclass(frozen=True, slots=True, kw_only=True)
class Vantage:
    """Where the question came from.

    Attributes:
        source: Our own address, or None where the system chose it.
        on_link: Whether the devices are on a network of this machine; None where that is not known.
        translated: Whether a translator may change our address on the way; None where that is not known.
    """

    name: str
    source: str | None = None
    on_link: bool | None = None
    translated: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Something that identifies a device.

    Attributes:
        kind: asset-tag, serial, engine-id, printer-uuid, host-key, tls-key, name or address; make-model, description,
            device-id, title, subject, firmware and device-kind describe without telling apart.
        source: Who said so ("inventory", "scan", or the protocol).
        strength: strong may join two addresses to one device; medium and weak never do.
    """

    kind: str
    value: str
    source: str
    strength: Literal["strong", "medium", "weak"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """An address that a device was met at."""

    address: str
    family: Literal["ipv4", "ipv6"]
    zone: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """A port of a device, and what it does."""

    address: str
    transport: Transport
    port: int
    state: State
    protocol: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """A dated or hashed document that verdicts rest on."""

    name: str
    hash: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineRule:
    """For which devices a baseline is chosen: all conditions that are given must hold; without one, for every device.

    Attributes:
        baseline: A shipped baseline's name, or a file.
        kinds: Any of these kinds of device.
        networks: An address in any of these networks.
        tags: Any of these tags of the inventory.
        make_model: Text in what the device or the inventory calls it; letter case does not count.
    """

    baseline: str
    kinds: tuple[str, ...] = ()
    networks: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    make_model: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSet:
    """The published rules a result was judged by."""

    name: str
    date: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A device of the fleet. It is not an address: addresses change and swap.

    Attributes:
        id: From what identifies it; see identity.py.
        kind: printer, multifunction, scanner, label-printer, plotter or unknown; the inventory's word, else what the
            device shows itself to be.
        make_model: What the inventory calls it, else device text, hostile.
        asset_tag: Owner's label, from the inventory; None for a device that is not listed.
        ccss: Environmental metrics of the inventory, such as "CDP:LM/CR:H".
    """

    id: str
    addresses: tuple[Address, ...]
    names: tuple[str, ...] = ()
    kind: str = "unknown"
    make_model: str | None = None
    asset_tag: str | None = None
    place: str | None = None
    owner: str | None = None
    criticality: str | None = None
    ccss: str | None = None
    tags: tuple[str, ...] = ()
    baseline: Named | None = None
    identity: tuple[Identity, ...] = ()
    services: tuple[Service, ...] = ()
    cost: Cost = field(default_factory=Cost)

    @property
    def label(self) -> str:
        """How people call it: asset tag, else first name, else first address."""
        return self.asset_tag or next(iter(self.names), None) or self.addresses[0].address


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A sentence for people beside a value for programs."""

    text: str
    value: Any = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted:
    """A running exception: the risk is accepted until a day."""

    id: str
    until: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What a check says of one endpoint and subject of one device.

    Attributes:
        finding: Digest of device, check, endpoint and subject; names it in every review.
        origin: "hardenprobe" for a built-in check, else distribution and version.
        score: CCSS base score of the outcome that was found, None unless the word is fail.
        severity: Rates the base score.
        vector: The CCSS vector behind the scores.
        temporal, environmental: CCSS scores where baseline or inventory give the metrics.
        remedy: Id of the remedy that mends it, None unless the word is fail.
        observations: Ids of what proves it.
        exception: A note and no verdict: the word stays fail.
        lapsed: The newest exception that covered it once, where none runs now.
    """

    finding: str
    device: str
    check: str
    check_version: str
    origin: str
    endpoint: Endpoint | None
    subject: str | None
    vantage: str
    result: Word
    reason: Reason | None = None
    score: float | None = None
    severity: Severity | None = None
    vector: str | None = None
    temporal: float | None = None
    environmental: float | None = None
    observed: Said
    expected: Said
    remedy: str | None = None
    rule_set: RuleSet | None = None
    controls: tuple[str, ...] = ()
    observations: tuple[str, ...] = ()
    exception: Accepted | None = None
    lapsed: Lapsed | None = None

    @property
    def stands(self) -> bool:
        """A finding without a running exception."""
        return self.result is Word.FAIL and self.exception is None

    @property
    def local_score(self) -> float:
        """The score that says most about this site: environmental, else temporal, else base. It orders the work."""
        told = (self.environmental, self.temporal, self.score)
        return next((one for one in told if one is not None), 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """One change that a technician makes, in general words.

    Attributes:
        id: Stable; several checks may name the same remedy.
        steps: In order.
        confirm: How to see that it worked.
        needs_first: What must exist before.
        stops_working: What the change breaks ("depends on the model").
        ask: Whom to ask first.
        undo: How to go back.
        lock_out: How one could lock oneself out.
        after: Ids of remedies that must come first.
        general: It mends whatever has no remedy of its own: a finding adds to its risk only where no other finding's
            remedy looks at the same port.
    """

    id: str
    title: str
    steps: tuple[str, ...]
    confirm: str
    needs_first: str
    stops_working: str
    ask: str
    undo: str
    lock_out: str
    after: tuple[str, ...] = ()
    general: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckNote:
    """What a stored review keeps of a check, so that it can be read without the check."""

    id: str
    title: str
    version: str
    origin: str
    why: str
    references: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """A remedy in the order of work.

    Attributes:
        rank: 1 is first.
        devices: Ids of the devices it would help.
        findings: What it would mend.
        risk_removed: Sum of the local scores of those findings. It orders the list and says nothing else.
        worst: The worst severity among those findings.
        waits_for: Ids of remedies of this same list that must come first.
    """

    rank: int
    remedy: Remedy
    devices: tuple[str, ...]
    findings: tuple[str, ...]
    risk_removed: float
    worst: Severity
    waits_for: tuple[str, ...] = ()


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
class Coverage:
    """What the scan set out to see and what it saw, in addresses; and inventory and ledger against it.

    Attributes:
        listed_seen: Asset tags of the listed devices that were met.
        seen_elsewhere: Those of them that were met otherwise than listed.
        retired_seen: Devices that were taken out of the fleet, and answer.
        accepted, not_accepted: Ids of the devices that were met, by whether their last step was that they were accepted;
            both empty while the store holds no acceptance at all.
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """Whether our own clock can be trusted, and how that is known.

    Attributes:
        now: UTC, ISO 8601 with Z: when the scan began.
    """

    now: str
    proven: bool
    how: str


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
class Lease:
    """Devices that belong to somebody else, who agreed to the scan."""

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
        interrupted: Somebody stopped the scan, or its window closed, before it was done.
        baselines: How a baseline was chosen for each device, the first rule that fits.
        authorisation: The scope that it ran under, None in reviews that did not keep it.
        ledger: Digest of the newest entry of the ledger that it was judged with, None where that was empty.
        decided_on: Day (UTC) by which exceptions and statements ran when it was judged, None where none were looked at.
        capture: The scan's packets, None where they were not captured.
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
    interrupted: bool = False
    baselines: tuple[BaselineRule, ...] = ()
    ledger: str | None = None
    decided_on: str | None = None
    clock: Clock = UNPROVEN
    versions: Mapping[str, str] = field(default_factory=dict)
    cost: Cost = field(default_factory=Cost)
    capture: Captured | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """One scan, judged. `observations` maps a device id to what was seen of it."""

    head: Head
    coverage: Coverage
    vantages: tuple[Vantage, ...]
    devices: tuple[Device, ...]
    results: tuple[Result, ...]
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
