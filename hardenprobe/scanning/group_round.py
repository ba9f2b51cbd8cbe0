"""Ask the multicast groups of each granted link once, before its devices are visited."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.model import Cost, Observation, Reach, Vantage
from hardenprobe.network.capture.socket_tap import GroupTap
from hardenprobe.network.group import GroupAnswers, GroupLink
from hardenprobe.network.link import DeviceLink
from hardenprobe.network.rate_limit import Rate
from hardenprobe.planning.group_links import links
from hardenprobe.planning.plan import Plan
from hardenprobe.probes.discovery.datagrams import GroupQuestion, Question, read_reply
from hardenprobe.scanning.probe_order import PROBES

if TYPE_CHECKING:
    from hardenprobe.network.capture.capture import Capture

QUESTIONS = tuple(question for probe in PROBES for question in probe.to_groups)
GROUPS = tuple(sorted({question.group for question in QUESTIONS}))


@dataclass(kw_only=True)
class GroupRound:
    """What the groups of our links answered, from one vantage point.

    Attributes:
        links: Each with its network.
        asked: By the name of a link: what was asked there and who answered.
    """

    links: tuple[tuple[GroupLink, AddressSet], ...] = ()
    asked: dict[str, list[tuple[GroupQuestion, Question, GroupAnswers]]] = field(default_factory=dict)

    @property
    def cost(self) -> Cost:
        return sum((answers.cost for _, _, answers in self._all()), Cost())

    @property
    def notices(self) -> list[str]:
        """How many answers were not kept, by link."""
        found = []
        for name, asked in self.asked.items():
            if count := sum(answers.elsewhere for _, _, answers in asked):
                found.append(
                    f"multicast on {name}: answers from outside the scope, counted and not kept: {count}"
                )
        return found

    def _all(self) -> Iterator[tuple[GroupQuestion, Question, GroupAnswers]]:
        for asked in self.asked.values():
            yield from asked

    def link(self, address: str) -> GroupLink | None:
        """The link that an address is on, where its groups may be asked."""
        return next((link for link, network in self.links if address in network), None)

    def observations(self, line: DeviceLink) -> list[Observation[Any]]:
        """What the questions to the group say of one device: its answers, or its silence."""
        link = self.link(line.address)
        asked = self.asked.get(link.name, []) if link else []
        return [read_reply(line, a, question, got.by_address.get(line.address)) for a, question, got in asked]

    async def ask(self, plan: Plan, wanted: frozenset[type[Any]]) -> None:
        """Put each question to the groups of each link once, all of a link at the same time.

        Raises:
            ScopeRefused: The hour or the stop file.
        """
        due = _due(plan, wanted)
        for link, _ in self.links:
            asked = [(question, make()) for question, make in due]
            answers = await asyncio.gather(
                *(link.ask(q.group, q.port, made.message, wait=q.wait) for q, made in asked)
            )
            self.asked[link.name] = [(*pair, got) for pair, got in zip(asked, answers, strict=True)]


def _due(plan: Plan, wanted: frozenset[type[Any]]) -> list[tuple[GroupQuestion, Callable[[], Question]]]:
    return [(q, q.make) for q in QUESTIONS if q.make and q.facts in wanted and q.port in plan.udp_ports]


def planned(plan: Plan, wanted: frozenset[type[Any]]) -> Iterator[tuple[GroupLink, int]]:
    """Each link whose groups will be asked, once for each vantage point, with the most datagrams that they get.

    What names a device in its question (LLMNR) counts among that device's own.
    """
    for vantage in plan.vantages:
        for link, _ in prepare(plan, vantage, Rate(None)).links:
            yield link, len(_due(plan, wanted)) * link.tries


def prepare(plan: Plan, vantage: Vantage, rate: Rate, capture: Capture | None = None) -> GroupRound:
    """Find the links whose groups may be asked."""
    if not plan.reach.admits(Reach.ASK):
        return GroupRound()
    return GroupRound(
        links=tuple(
            (
                GroupLink(
                    name=name,
                    source=source,
                    permit=plan.scope,
                    admits=lambda address: address in plan.scope.allowed,
                    rate=rate,
                    port_offset=plan.port_offset,
                    tap=GroupTap(capture) if capture else None,
                ),
                network,
            )
            for name, source, network in links(plan, vantage)
        )
    )
