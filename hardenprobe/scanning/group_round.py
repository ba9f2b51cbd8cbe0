"""Ask the multicast groups of each granted link once, before its devices are visited."""

from __future__ import annotations

import asyncio
import socket
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.model import Cost, Observation, Reach, Vantage
from hardenprobe.network.capture.socket_tap import GroupTap
from hardenprobe.network.group import GroupAnswers, GroupLink
from hardenprobe.network.link import DeviceLink
from hardenprobe.network.rate_limit import Rate
from hardenprobe.planning import local_links
from hardenprobe.planning.group_links import links
from hardenprobe.planning.plan import Plan
from hardenprobe.probes.discovery.datagrams import GroupQuestion, Question, read_reply
from hardenprobe.scanning.probe_order import PROBES

if TYPE_CHECKING:
    from hardenprobe.network.capture.capture import Capture

QUESTIONS = tuple(question for probe in PROBES for question in probe.to_groups)
GROUPS = tuple(sorted({group for question in QUESTIONS for group in question.groups if group}))


@dataclass(frozen=True)
class _Asked:
    """One question to a group and its answers, with the link-layer addresses of those that are link-local."""

    link: GroupLink
    facts: GroupQuestion
    question: Question
    answers: GroupAnswers
    link_layers: Mapping[str, str]


@dataclass(kw_only=True)
class GroupRound:
    """What the groups of our links answered, from one vantage point.

    Attributes:
        on: Each link, once for each family, with the networks there.
        asked: What was asked and who answered.
    """

    on: tuple[tuple[GroupLink, AddressSet], ...] = ()
    asked: list[_Asked] = field(default_factory=list)
    _met: set[tuple[str, str]] = field(
        default_factory=set
    )  # link and link-local address of a device in scope

    @property
    def cost(self) -> Cost:
        return sum((one.answers.cost for one in self.asked), Cost())

    @property
    def notices(self) -> list[str]:
        """How many answers were not kept, by link."""
        left_out: Counter[str] = Counter()
        for one in self.asked:
            others = [a for a in one.answers.link_local if (one.link.name, a) not in self._met]
            left_out[one.link.name] += one.answers.elsewhere + len(others)
        return [
            f"multicast on {name}: answers from outside the scope, counted and not kept: {count}"
            for name, count in left_out.items()
            if count
        ]

    def links(self, address: str) -> tuple[GroupLink, ...]:
        """The link that an address is on, where its groups may be asked, that of its own family first."""
        found = [link for link, networks in self.on if address in networks]
        return tuple(sorted(found, key=lambda link: link.v6 != (":" in address)))

    def observations(self, line: DeviceLink) -> list[Observation[Any]]:
        """What the questions to the groups of its own family say of an address: its answer, or its silence."""
        found = []
        for one in self._asked_of(line.address):
            if one.link.v6 == (":" in line.address):
                reply = one.answers.by_address.get(line.address)
                # Silence is no device's as long as an answer has none.
                if reply is not None or not one.answers.link_local:
                    found.append(self._read(line, one, reply))
        return found

    def observations_by_link(self, line: DeviceLink) -> list[Observation[Any]]:
        """What answers from link-local addresses say of a device that was met, and then knows the link."""
        found = []
        for one in self._asked_of(line.address):
            link_local, own_family = one.answers.link_local, one.link.v6 == (":" in line.address)
            if not link_local or line.address in one.answers.by_address:
                continue
            mine = one.link.same_device(line.address, link_local, one.link_layers)
            self._met |= {(one.link.name, address) for address in mine}
            if mine:
                found.append(self._read(line, one, link_local[mine[0]]))
            elif (
                own_family
                and line.address in one.link.neighbours()
                and set(link_local) <= set(one.link_layers)
            ):
                found.append(self._read(line, one, None))
        return found

    def _asked_of(self, address: str) -> list[_Asked]:
        links = self.links(address)
        return [one for one in self.asked if one.link in links and one.answers.cost.datagrams]

    def _read(self, line: DeviceLink, one: _Asked, reply: bytes | None) -> Observation[Any]:
        return read_reply(line, one.facts, one.facts.groups[one.link.v6], one.question, reply)

    async def ask(self, plan: Plan, wanted: frozenset[type[Any]]) -> None:
        """Put each question to the groups of each link once, all at the same time.

        Raises:
            ScopeRefused: The hour or the stop file.
        """
        due = [
            (link, question, question.make(question.groups[link.v6]))
            for link, _ in self.on
            for question in _due(plan, wanted, link)
            if question.make
        ]
        answers = await asyncio.gather(
            *(link.ask(q.groups[link.v6], q.port, made.message, wait=q.wait) for link, q, made in due)
        )
        for (link, question, made), got in zip(due, answers, strict=True):
            table = link.neighbours() if got.link_local else {}
            known = {address: table[address] for address in got.link_local if address in table}
            self.asked.append(_Asked(link, question, made, got, known))


def _due(plan: Plan, wanted: frozenset[type[Any]], link: GroupLink) -> list[GroupQuestion]:
    due = [q for q in QUESTIONS if q.make and q.groups[link.v6]]
    return [q for q in due if q.facts in wanted and q.port in plan.udp_ports]


def planned(plan: Plan, wanted: frozenset[type[Any]]) -> Iterator[tuple[GroupLink, int]]:
    """Each link whose groups will be asked, once for each vantage point, with the most datagrams that they get.

    What names a device in its question (LLMNR) counts among that device's own.
    """
    for vantage in plan.vantages:
        for link, _ in prepare(plan, vantage, Rate(None)).on:
            yield link, len(_due(plan, wanted, link)) * link.tries


def prepare(plan: Plan, vantage: Vantage, rate: Rate, capture: Capture | None = None) -> GroupRound:
    """Find the links whose groups may be asked."""
    if not plan.reach.admits(Reach.ASK):
        return GroupRound()
    return GroupRound(
        on=tuple(
            (
                GroupLink(
                    name=name,
                    source=source,
                    permit=plan.scope,
                    admits=lambda address: address in plan.scope.allowed,
                    neighbours=partial(local_links.on_link, socket.if_nametoindex(name)),
                    rate=rate,
                    port_offset=plan.port_offset,
                    tap=GroupTap(capture) if capture else None,
                ),
                network,
            )
            for name, source, network in links(plan, vantage)
        )
    )
