"""What a coordinator and a worker say to each other: a job once, then shards of it, and for each shard what became of it."""

from __future__ import annotations

import json
import pickle
import warnings
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from hardenprobe.devices.inventory import Inventory
from hardenprobe.errors import HardenprobeError, MalformedReply
from hardenprobe.model import Cost
from hardenprobe.model.visit import OUTCOMES, Visit
from hardenprobe.model.visit_document import decode_visit, encode_visit
from hardenprobe.planning.plan import Plan
from hardenprobe.probes.pki.certificates import TrustAnchors

ID_BYTES = 32
"""Of a job's id, in ASCII."""

MOST_BYTES = 256 << 20
"""Of one reply; a shard of devices that say as much as they may is a tenth of it."""


@dataclass(frozen=True, kw_only=True)
class Portion:
    """What a worker may take of the limits of a whole scan.

    Attributes:
        connections_per_second: In all.
        devices_at_once: Visits in progress.
        segments: By segment, connections and datagrams a second; those without a rate of their own are not in it.
    """

    connections_per_second: float
    devices_at_once: int
    segments: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class ClusterJob:
    """A job as a worker gets it, once. The plan has one vantage point, which is the worker's; secrets are not in it."""

    id: str
    plan: Plan
    inventory: Inventory
    wanted: frozenset[type[Any]]
    anchors: tuple[bytes, ...]
    anchor_sources: tuple[str, ...]
    portion: Portion

    def packed(self) -> bytes:
        """The job in bytes, for a worker of the same version."""
        return pickle.dumps(self)

    @property
    def trust_anchors(self) -> TrustAnchors:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # old roots have odd serial numbers
            found = tuple(map(x509.load_der_x509_certificate, self.anchors))
        return TrustAnchors(certificates=found, sources=self.anchor_sources)


def packed_anchors(anchors: TrustAnchors) -> tuple[bytes, ...]:
    """Trust anchors in bytes."""
    return tuple(one.public_bytes(Encoding.DER) for one in anchors.certificates)


def unpacked(packed: bytes) -> ClusterJob:
    """A job that a coordinator packed; whoever holds its certificate may command this worker anyway."""
    job = pickle.loads(packed)
    assert isinstance(job, ClusterJob)
    return job


@dataclass(frozen=True, kw_only=True)
class Shard:
    """Some addresses of a job.

    Attributes:
        id: Names it among those of its job; no address and no secret is in it.
        begin_within: Seconds after which no further visit begins.
        expected, swept, others, spent: As in engine.Share.
        segment: Of the inventory, where its rate counts.
        sealed: Secrets for the worker, in hex; "" where no device of the shard may be sent one.
    """

    id: str
    begin_within: float
    expected: tuple[str, ...] = ()
    swept: tuple[str, ...] = ()
    others: Mapping[str, str] = field(default_factory=dict)
    spent: Mapping[str, Cost] = field(default_factory=dict)
    segment: str | None = None
    sealed: str = ""

    @property
    def addresses(self) -> tuple[str, ...]:
        return (*self.expected, *self.swept, *self.others)

    def packed(self) -> bytes:
        return json.dumps(asdict(self)).encode()

    @classmethod
    def unpacked(cls, packed: bytes) -> Shard:
        told = json.loads(packed)
        told["expected"], told["swept"] = tuple(told["expected"]), tuple(told["swept"])
        told["spent"] = {key: Cost(**cost) for key, cost in told["spent"].items()}
        return cls(**told)


@dataclass(frozen=True, kw_only=True)
class ShardReply:
    """What became of a shard. An address that is nowhere in it was not begun.

    Attributes:
        quiet: Position in `Shard.swept` to "silent" or "refused".
        refused: Address to why the worker may not ask it.
        sweep: What sweeping has cost.
        stopped: Why the worker ended early, for people; None where it did not.
        users: SNMPv3 users that are not to be sent any more, and the address that called their digest wrong.
    """

    visits: tuple[Visit, ...] = ()
    quiet: Mapping[int, str] = field(default_factory=dict)
    refused: Mapping[str, str] = field(default_factory=dict)
    sweep: Cost = field(default_factory=Cost)
    stopped: str | None = None
    users: Mapping[str, str] = field(default_factory=dict)
    notices: tuple[str, ...] = ()

    def packed(self) -> bytes:
        return json.dumps(
            {
                "visits": [encode_visit(visit) for visit in self.visits],
                "quiet": {str(position): outcome for position, outcome in self.quiet.items()},
                "refused": self.refused,
                "sweep": asdict(self.sweep),
                "stopped": self.stopped,
                "users": self.users,
                "notices": self.notices,
            }
        ).encode()


def read_reply(packed: bytes, shard: Shard, vantage: str) -> ShardReply:
    """Read what a worker says of a shard; it is believed of this shard's addresses and of nothing else.

    Raises:
        MalformedReply: It is no such reply.
    """
    try:
        if len(packed) > MOST_BYTES:
            raise ValueError(f"{len(packed)} bytes")
        told = json.loads(packed)
        visits = tuple(decode_visit(text) for text in told["visits"])
        known = set(shard.addresses)
        for visit in visits:
            if visit.address not in known or visit.vantage != vantage:
                raise ValueError("a visit that was not asked for")
            if any(seen.vantage != vantage for seen in visit.observations):
                raise ValueError("an observation of another vantage point")
        if len({visit.address for visit in visits}) != len(visits):
            raise ValueError("an address twice")
        quiet = {int(position): str(outcome) for position, outcome in told["quiet"].items()}
        if any(not 0 <= at < len(shard.swept) or word not in OUTCOMES for at, word in quiet.items()):
            raise ValueError("an outcome of no address")
        refused = _texts(told["refused"])
        return ShardReply(
            visits=visits,
            quiet=quiet,
            refused={address: why for address, why in refused.items() if address in known},
            sweep=Cost(**told["sweep"]),
            stopped=None if told["stopped"] is None else str(told["stopped"]),
            users=_texts(told["users"]),
            notices=tuple(map(str, told["notices"])),
        )
    except (ValueError, KeyError, TypeError, AttributeError, HardenprobeError) as exc:
        raise MalformedReply(f"a worker's reply cannot be read: {exc}") from exc


def _texts(told: Mapping[Any, Any]) -> dict[str, str]:
    return {str(key): str(value) for key, value in told.items()}
