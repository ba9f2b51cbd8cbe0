"""What a scan was asked to do, in plain values that a store can keep, and the job that is made of it.

Files are named and not copied: a scan that goes on reads them again, so that an authorisation that has ended in the
meantime holds. Secrets are named by their file.
"""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from hardenprobe.baseline import selection
from hardenprobe.baseline.files import files_of
from hardenprobe.devices import credentials
from hardenprobe.devices import inventory as inventories
from hardenprobe.errors import UsageError
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model import InputFile, Reach
from hardenprobe.model.document import digest
from hardenprobe.model.review import new_id
from hardenprobe.model.transcript import utc_now
from hardenprobe.model.visit import ResumableScan, ScanRecord
from hardenprobe.planning import plan, vantage
from hardenprobe.planning.recheck_plan import RecheckRecord
from hardenprobe.plugins import registry
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.probes.tls.second_opinion import strain_timing
from hardenprobe.scanning import group_round, inputs
from hardenprobe.scanning.job import ScanJob
from hardenprobe.scope import scope as scopes
from hardenprobe.scope import scope_file
from hardenprobe.standards.rule_files import shipped_baselines


@dataclass(frozen=True, kw_only=True)
class ScanRequest:
    """A scan as it was asked for.

    Attributes:
        targets: (as written, first address, last address, name or None); names are looked up once, when the request
            is made.
        sources: Our addresses, or vantage.EDGES.
        inventory, scope, secrets_file, trust_anchors, capture, checks_from: Absolute paths.
        baseline: Of the devices that no rule of the inventory fits: a name, or the absolute path of a file.
        ports: A list such as "21,23", None for the baseline's.
        only, leave_out: Check ids.
        again: Findings of an earlier review to ask about again, as `RecheckRecord.document` writes it; decides the ports.
        packet_headers: As in the plan.
        operator: Who runs it, beside the account.
        cluster: Address of the scheduler whose workers scan; None where this process does.
        certificates: The folder with our certificate for it.
    """

    targets: tuple[tuple[str, str, str, str | None], ...]
    inventory: str | None = None
    scope: str | None = None
    baseline: str | None = None
    sources: tuple[str, ...] = ()
    vantages: tuple[str, ...] = ()
    reach: str = "ask"
    ports: str | None = None
    only: tuple[str, ...] = ()
    leave_out: tuple[str, ...] = ()
    trust_anchors: tuple[str, ...] = ()
    system_anchors: bool = True
    secrets_file: str | None = None
    tls_second_opinion: bool = False
    capture: str | None = None
    port_offset: int = 0
    plugins: bool = True
    checks_from: tuple[str, ...] = ()
    again: Mapping[str, Any] | None = None
    operator: str | None = None
    cluster: str | None = None
    certificates: str | None = None
    packet_headers: bool = True

    def document(self) -> dict[str, Any]:
        """The request in plain JSON types."""
        return asdict(self)

    @classmethod
    def of(cls, document: Mapping[str, Any]) -> ScanRequest:
        """Read a request back.

        Raises:
            TypeError, KeyError, ValueError: It is none.
        """
        read: dict[str, Any] = {
            key: tuple(value) if isinstance(value, list) else value for key, value in document.items()
        }
        read["targets"] = tuple(tuple(target) for target in document["targets"])
        return cls(**read)

    def prepare(self) -> tuple[ScanJob, JudgingRules]:
        """Load what the request names: the job of the scan, and what its observations are judged by.

        Raises:
            UsageError: Something that was asked for is impossible, or a file is wrong. Nothing was sent.
        """
        checks = registry.load(plugins=self.plugins, folders=map(Path, self.checks_from))
        again = RecheckRecord.of(self.again) if self.again else None
        known = self._known(again)
        rules = again.rules if again and not self.baseline else known.baselines
        expected = selection.choose(rules, checks, self.baseline)
        allowed = self._allowed(checks, again)
        own = credentials.load(Path(self.secrets_file)) if self.secrets_file else credentials.Secrets()
        wanted = self._targets()
        if not wanted:
            raise UsageError("no target: the file names none")
        sources = self.sources
        if self.cluster and (sources or self.capture):
            option = "--source" if sources else "--capture"
            raise UsageError(f"{option} is of this machine, and with --cluster others ask; leave it out")
        if vantage.EDGES in sources:
            named = (s for s in sources if s != vantage.EDGES)
            sources = tuple(dict.fromkeys((*named, *vantage.at_edges(known, wanted))))
        if self.tls_second_opinion and not Reach(self.reach).admits(Reach.STRAIN):
            raise UsageError(
                "--tls-second-opinion makes hundreds of connections a port; it needs --reach strain"
            )
        if self.tls_second_opinion and not allowed.granted(scopes.SECOND_OPINION_GRANT):
            raise UsageError(
                f"--tls-second-opinion is not granted: write `grants: [{scopes.SECOND_OPINION_GRANT}]` in the scope file"
            )
        chosen = checks.select(self.only, self.leave_out)
        shares = again.shares if again else {}
        tcp_ports, udp_ports = self._ports(expected, checks, chosen, shares.values())
        if max((*tcp_ports, *udp_ports), default=0) + self.port_offset > 65535:
            raise UsageError(f"--port-offset {self.port_offset} shifts a port beyond 65535")
        anchors = TrustAnchors.load(map(Path, self.trust_anchors), system=self.system_anchors)
        timing = expected.timing
        if Reach(self.reach).admits(Reach.STRAIN):
            timing = strain_timing(timing, second_opinion=self.tls_second_opinion)
        planned = plan.Plan(
            targets=wanted,
            tcp_ports=tcp_ports,
            first_ports=expected.first_ports,
            udp_ports=udp_ports,
            reach=Reach(self.reach),
            scope=allowed,
            vantages=(
                vantage.remote(self.vantages, known.segments, wanted, allowed)
                if self.cluster
                else vantage.points(sources, self.vantages, wanted, allowed)
            ),
            checks=chosen,
            communities=expected.communities,
            http_paths=expected.http_paths,
            web=expected.web,
            timing=timing,
            port_offset=self.port_offset,
            tls_second_opinion=self.tls_second_opinion,
            tls_suites=expected.tls_suites,
            packet_headers=self.packet_headers and not self.capture,
            secrets=own.labels,
            inventory=known.hash,
            plugged=checks.plugged,
            shares=shares,
        )
        job = ScanJob.of(
            planned,
            checks,
            inventory=known,
            anchors=anchors,
            secrets=own,
            again=again,
            capture_to=Path(self.capture) if self.capture else None,
            narrowed=() if again else self._narrowed(),
            operator=self.operator,
            inputs=(
                *(InputFile.read("scope", Path(name)) for name in (self.scope,) if name),
                *(InputFile.read("inventory", Path(name)) for name in (self.inventory,) if name),
                *files_of(expected),
                *inputs.of_anchors(anchors),
            ),
        )
        return job, JudgingRules(baseline=expected, registry=checks)

    def _narrowed(self) -> tuple[str, ...]:
        given = {"only": self.only, "except": self.leave_out, "ports": self.ports is not None}
        return tuple(word for word, narrows in given.items() if narrows)

    def _known(self, again: RecheckRecord | None) -> inventories.Inventory:
        if self.inventory:
            return inventories.load(Path(self.inventory))
        return again.inventory() if again else inventories.Inventory()

    def _allowed(self, checks: registry.Registry, again: RecheckRecord | None) -> scopes.Scope:
        if self.scope:
            reaches = {check.id: check.reach for check in checks.checks.values()}
            return scope_file.load(Path(self.scope), reaches)
        return (again.kept_scope() if again else None) or scopes.Scope.loopback()

    def _ports(
        self,
        expected: selection.Choice,
        checks: registry.Registry,
        chosen: frozenset[str],
        shares: Collection[plan.AddressPlan],
    ) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """TCP and UDP ports: those of the shares, those that were named, or the baselines' with those that plug-ins ask."""
        if shares:
            return (
                tuple(dict.fromkeys(port for share in shares for port in share.tcp_ports)),
                tuple(dict.fromkeys(port for share in shares for port in share.udp_ports)),
            )
        if self.ports is not None:
            return plan.parse_ports(self.ports), expected.udp_ports
        more = (port for probe in checks.probes_for(chosen) for port in probe.tcp_ports)
        return tuple(dict.fromkeys((*expected.tcp_ports, *more))), expected.udp_ports

    def _targets(self) -> tuple[plan.Target, ...]:
        return tuple(
            plan.Target(text=text, first=ip_address(first), last=ip_address(last), name=name)
            for text, first, last, name in self.targets
        )


def pinned(texts: Iterable[str]) -> tuple[tuple[str, str, str, str | None], ...]:
    """Read targets as a user writes them; names are looked up here and never again.

    Raises:
        UsageError: As plan.targets.
    """
    return tuple((t.text, str(t.first), str(t.last), t.name) for t in plan.targets(texts))


def absolute(path: Path | None) -> str | None:
    """A path that means the same from any folder."""
    return str(path.absolute()) if path else None


def named(baseline_name: str | None) -> str | None:
    """A baseline's name; for one that is a file, its absolute path."""
    if baseline_name is None:
        return None
    path = Path(baseline_name)
    return (
        str(path.absolute()) if baseline_name not in shipped_baselines() and path.exists() else baseline_name
    )


def begin(request: ScanRequest, job: ScanJob) -> ScanRecord:
    """What a journal writes down of a scan before it sends anything."""
    return ScanRecord(
        id=new_id(),
        started=utc_now(),
        scope=job.plan.scope.name,
        seed=secrets.randbits(32),
        plan_hash=job.plan.hash,
        expected_hash=expected_addresses(job),
        request=request.document(),
        planned={one.name: job.plan.wanted_from(one).count for one in job.plan.vantages},
    )


@contextlib.contextmanager
def captured(job: ScanJob, earlier: ResumableScan | None = None) -> Iterator[ScanJob]:
    """The job with its capture running until the block ends; as it is where none was asked for.

    Args:
        earlier: The scan that goes on; its capture does too.

    Raises:
        UsageError: As capture.opened; nothing was sent.
    """
    if job.capture_to is None:
        yield job
        return
    from hardenprobe.network.capture import capture

    highest = None
    if earlier:
        seen = (one for visit in earlier.visits for one in visit.observations)
        highest = max((last for one in seen for _, last in one.packets), default=0)
    plan = job.plan
    networks = (*plan.may_be_asked.cover(), *group_round.GROUPS)
    with capture.opened(job.capture_to, networks, highest) as running:
        yield replace(job, capture=running)


def expected_addresses(job: ScanJob) -> str:
    """Digest of the addresses that are not swept, on which positions in the sweep's order depend."""
    return digest(job.plan.expected(job.inventory.by_address).cover())
