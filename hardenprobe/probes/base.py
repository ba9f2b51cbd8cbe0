"""What a probe is: questions in one protocol, put to one device through Link.

A probe module ends with one `PROBE`. Its `ask` is an asynchronous generator: each observation counts from the moment it is
yielded, so what a ceiling or a fault cuts off costs only what came after.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import AsyncIterator, Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

from hardenprobe.devices.credentials import Secrets
from hardenprobe.errors import (
    CeilingReached,
    LocalFault,
    MalformedReply,
    MayNotSpeak,
    PastTheDoor,
    ScopeRefused,
    Unreachable,
    clip,
)
from hardenprobe.facts import ProbeFault, TcpPort
from hardenprobe.model import Endpoint, Observation, Reach, Reason, State, Transport
from hardenprobe.network.group import GroupLink
from hardenprobe.network.link import DeviceLink

if TYPE_CHECKING:
    from hardenprobe.devices.inventory import Listed
    from hardenprobe.planning.plan import Plan
    from hardenprobe.probes.discovery.datagrams import GroupQuestion
    from hardenprobe.probes.pki.certificates import TrustAnchors

log = logging.getLogger("hardenprobe.probes.base")

F = TypeVar("F")


@dataclass(frozen=True)
class PortGreeting:
    """A TCP port that was probed, with the bytes of its greeting."""

    seen: Observation[TcpPort]
    greeting: bytes

    @property
    def port(self) -> int:
        assert self.seen.endpoint is not None
        return self.seen.endpoint.port

    @property
    def accepting(self) -> bool:
        return self.seen.facts.state is State.ACCEPTING

    @property
    def waits(self) -> bool:
        """It accepted, said nothing and stayed: it may be waiting for us to speak."""
        return self.accepting and self.seen.facts.speaks is None and not self.seen.facts.closed


@dataclass(kw_only=True)
class ProbeContext:
    """One address under question: what a probe may use, and what was seen so far.

    Attributes:
        line: The only way to the device.
        listed: The inventory's entry for the address, None without one.
        wanted: The kinds of facts that somebody will read.
        secrets: The fleet's own; see devices/credentials.py for whom they may go to.
        heard: TCP port to what it did.
        unanswered: TCP ports that gave no answer to the first look, each with the seconds that it was waited for
            after the device had answered elsewhere.
        seen: Every observation so far, in order.
        groups: The device's own link, once for each family in which its multicast groups may be asked.
    """

    line: DeviceLink
    plan: Plan
    listed: Listed | None
    wanted: frozenset[type[Any]]
    anchors: TrustAnchors
    secrets: Secrets = field(default_factory=Secrets)
    heard: dict[int, PortGreeting] = field(default_factory=dict)
    unanswered: dict[int, float] = field(default_factory=dict)
    seen: list[Observation[Any]] = field(default_factory=list)
    groups: tuple[GroupLink, ...] = ()
    _notes: dict[type[Any], list[Any]] = field(default_factory=dict)

    def notes(self, kind: type[F]) -> list[F]:
        """What probes left for those after them beside observations, by its type; a list to read and add to."""
        return self._notes.setdefault(kind, [])

    def of(self, facts: type[F]) -> list[Observation[F]]:
        """The observations of one kind so far."""
        return [o for o in self.seen if isinstance(o.facts, facts)]

    def at(self, facts: type[F], port: int) -> Observation[F] | None:
        """The newest observation of one kind at a TCP port."""
        found = [o for o in self.of(facts) if o.endpoint and o.endpoint.port == port]
        return found[-1] if found else None

    def accepting(self) -> list[PortGreeting]:
        """The TCP ports that accepted a connection."""
        return [h for h in self.heard.values() if h.accepting]

    @property
    def answered(self) -> bool:
        """Something came back, were it that a port is closed."""
        return any(getattr(o.facts, "state", State.SILENT) is not State.SILENT for o in self.seen)

    def wants(self, *kinds: type[Any]) -> bool:
        """Somebody will read one of these kinds of facts."""
        return any(kind in self.wanted for kind in kinds)

    @contextlib.contextmanager
    def trying(
        self, name: str, kinds: Iterable[type[Any]], port: int | None = None, transport: Transport = "tcp"
    ) -> Iterator[None]:
        """Turn what keeps a question from being finished into an observation, and go on after the block.

        Args:
            port: The one place that the block asks; what is missing is then missing there alone.

        Raises:
            ScopeRefused, CeilingReached, LocalFault: The visit ends.
        """
        fault = partial(
            self.fault, name, kinds, where=None if port is None else self.line.endpoint(port, transport)
        )
        try:
            yield
        except (PastTheDoor, MayNotSpeak) as exc:
            fault(Reason.CRASHED, str(exc))
        except (ScopeRefused, CeilingReached, LocalFault):
            raise
        except Unreachable as exc:
            reason = Reason.SILENT if exc.state == "silent" else Reason.DROPPED
            fault(reason, str(exc))
        except MalformedReply as exc:
            fault(Reason.INCONCLUSIVE, str(exc))
        except (Exception, SystemExit) as exc:
            log.exception("probe %s at %s", name, self.line.address)
            fault(Reason.CRASHED, f"{type(exc).__name__}: {clip(str(exc), 240)}")

    def fault(
        self,
        name: str,
        kinds: Iterable[type[Any]],
        reason: Reason,
        text: str,
        where: Endpoint | None = None,
    ) -> None:
        """Write down that a probe could not finish.

        Args:
            where: The place where these kinds are missing; None for the whole device.
        """
        missing = tuple(sorted(k.kind for k in kinds))
        facts = ProbeFault(probe=name, kinds=missing, reason=reason, text=text)
        self.seen.append(self.line.observation(facts, where))


@dataclass(frozen=True, kw_only=True)
class Probe:
    """Questions in one protocol.

    Attributes:
        name: For messages and faults.
        produces: The kinds of facts it brings; it runs only when somebody reads one of them.
        reach: How far it goes.
        grants: Ids of the checks that it serves; beyond reach ask it runs where the scope grants one of them by name.
        tcp_ports: Of a plug-in: the ports that are assigned to its protocol, each with the word under which `Stream.send`
            speaks there. They are read whenever the probe is to run. A port that may not be sent data stays one.
        to_groups: Questions to multicast groups, each put once for a whole link.
        ask: Yields observations; reads of the device so far what it needs.
        place: The one place that it asks, None where it asks several; a fault is missing what it produces there alone.
    """

    name: str
    produces: tuple[type[Any], ...]
    ask: Callable[[ProbeContext], AsyncIterator[Observation[Any]]]
    place: tuple[Transport, int] | None = None
    reach: Reach = Reach.ASK
    grants: tuple[str, ...] = ()
    tcp_ports: Mapping[int, str] = field(default_factory=dict)
    to_groups: tuple[GroupQuestion, ...] = ()

    def allowed(self, plan: Plan) -> bool:
        """Tell whether the plan goes as far, and the scope grants it by name where that is called for."""
        if not self.reach.admits(Reach.STRAIN):
            return plan.reach.admits(self.reach)
        return any(plan.granted(name, self.reach) for name in self.grants)

    async def run(self, asked: ProbeContext) -> None:
        """Ask, and keep each observation as it comes.

        Raises:
            ScopeRefused, CeilingReached, LocalFault: The visit ends.
        """
        transport, port = self.place or ("tcp", None)
        with asked.trying(self.name, self.produces, port, transport):
            async for observation in self.ask(asked):
                asked.seen.append(observation)
