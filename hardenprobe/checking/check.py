"""What a check is: a question that a pure function answers from observations.

A check module holds a docstring, a `judge` and one `CHECK`. The docstring is the check's documentation; its headings
are those of `HEADINGS`, in order.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Generic, Literal, TypeVar

from hardenprobe.errors import ContractBroken
from hardenprobe.facts import AddressAsked, DeclaredDevice, TcpPort
from hardenprobe.model import (
    UNPROVEN,
    Clock,
    Device,
    Endpoint,
    Observation,
    Reach,
    Reason,
    Remedy,
    RuleSet,
    Said,
    State,
    Vantage,
    Word,
)

S = TypeVar("S")
F = TypeVar("F")
Worse = Literal["larger", "smaller", "further", "older", "wider"] | tuple[str | int, ...]
"""Which way a value is worse: a number that is larger or smaller, or further from zero than a drift explains; an older version;
addresses that are more; or any value that comes earlier in a tuple, the worst first."""

HEADINGS = ("Fails when", "Passes when", "Unknown when", "Reach", "Why it matters", "Sources")
ID = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)+")


@dataclass(frozen=True, kw_only=True)
class NoSettings:
    """The settings of a check that a baseline cannot tune."""


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What a judge says of one endpoint and subject.

    Attributes:
        endpoint: Where; None for the device as a whole.
        subject: Which of several things at that endpoint; None for the endpoint itself.
        vector: Key into the check's `vectors`; only for `fail`, and only where there are several.
        proof: Ids of the observations it rests on.
        settled: It rests on the inventory or the baseline alone, so that nothing the device might have said could change it.
    """

    word: Word
    observed: Said
    expected: Said
    endpoint: Endpoint | None = None
    subject: str | None = None
    reason: Reason | None = None
    vector: str | None = None
    proof: tuple[str, ...] = ()
    rule_set: RuleSet | None = None
    settled: bool = False


@dataclass(eq=False, kw_only=True)
class DeviceView:
    """All that was seen of one device from one vantage point: what a judge may look at.

    Attributes:
        observations: From this vantage point.
        elsewhere: Of the same device, from other vantage points.
    """

    device: Device
    vantage: Vantage
    observations: tuple[Observation[Any], ...]
    elsewhere: tuple[Observation[Any], ...] = ()
    clock: Clock = UNPROVEN
    fleet: Fleet = field(default_factory=lambda: Fleet())
    _found: dict[type[Any], tuple[Observation[Any], ...]] = field(
        default_factory=dict, init=False, repr=False
    )
    memo: dict[Hashable, Any] = field(default_factory=dict, init=False, repr=False)
    """What several checks work out in the same way, by the function that does."""

    def of(self, facts: type[F]) -> tuple[Observation[F], ...]:
        """The observations of one kind, in the order they were made."""
        known: tuple[Observation[F], ...] | None = self._found.get(facts)
        if known is None:
            if facts.__subclasses__():
                known = tuple(o for o in self.observations if isinstance(o.facts, facts))
            else:
                known = tuple(self._by_kind.get(facts, ()))
            self._found[facts] = known
        return known

    @cached_property
    def _by_kind(self) -> dict[type[Any], list[Observation[Any]]]:
        groups: dict[type[Any], list[Observation[Any]]] = {}
        for seen in self.observations:
            groups.setdefault(type(seen.facts), []).append(seen)
        return groups

    @cached_property
    def listed(self) -> DeclaredDevice | None:
        """The inventory's entry, None for a device that is not listed."""
        return next((o.facts for o in self.of(DeclaredDevice)), None)

    @cached_property
    def tcp_ports(self) -> tuple[Observation[TcpPort], ...]:
        """The TCP ports that were looked at."""
        return tuple(o for o in self.of(TcpPort) if not o.facts.control)

    @cached_property
    def accepting(self) -> tuple[Observation[TcpPort], ...]:
        """The TCP ports that accepted a connection."""
        return tuple(o for o in self.tcp_ports if o.facts.state is State.ACCEPTING)

    @cached_property
    def answers(self) -> bool:
        """The device is proven alive: something of it answered, were it a reset."""
        return any(
            getattr(o.facts, "state", None) in (State.ACCEPTING, State.REFUSING) for o in self.observations
        )

    @cached_property
    def asked(self) -> Mapping[str, AddressAsked]:
        """What became of each address of the device from this vantage point, by address."""
        return {o.facts.address: o.facts for o in self.of(AddressAsked)}

    @cached_property
    def unasked(self) -> tuple[str, ...]:
        """Addresses of the device that were planned and not assessed from this vantage point."""
        return tuple(address for address, one in self.asked.items() if not one.assessed)

    def source_at(self, address: str) -> str | None:
        """Our own address that asked at one of the device's; None where that is not known."""
        one = self.asked.get(address)
        return one.source if one else self.vantage.source

    def unchanged_at(self, address: str) -> bool:
        """No address translation is possible between the scanner and an address."""
        one = self.asked.get(address)
        return self.vantage.translated is False or (one is not None and one.on_link is True)

    @cached_property
    def identified(self) -> frozenset[tuple[str, int]]:
        """Address and port of every TCP service whose protocol was recognised, whichever it is.

        A greeting that another connection to the port denies is none.
        """
        tcp = [o for o in self.observations if o.endpoint and o.endpoint.transport == "tcp"]
        denied = {_place(o) for o in tcp if getattr(o.facts, "denies", False)}
        return frozenset(
            _place(o)
            for o in tcp
            if getattr(o.facts, "recognised", False)
            and not (isinstance(o.facts, TcpPort) and _place(o) in denied)
        )

    @cached_property
    def doubtful(self) -> tuple[Observation[Any], ...]:
        """What was cut short or broke the rules of its protocol: the `doubt` of its facts says how."""
        return tuple(o for o in self.observations if getattr(o.facts, "doubt", ""))

    @cached_property
    def ambiguous(self) -> bool:
        """A random high port accepted too, so accepting proves nothing."""
        return any(o.facts.control and o.facts.state is State.ACCEPTING for o in self.of(TcpPort))


def _place(seen: Observation[Any]) -> tuple[str, int]:
    return (seen.endpoint.address, seen.endpoint.port) if seen.endpoint else ("", 0)


@dataclass(frozen=True, eq=False, kw_only=True)
class SharedValue:
    """Something that no two devices should have in common, such as a key.

    Attributes:
        facts: The kinds of facts that show it.
        values: What one of them shows, told from its fields alone: where a stored review is judged again, it is given
            something with the same fields in plain JSON types.
    """

    facts: tuple[type[Any], ...]
    values: Callable[[Any], Iterable[Hashable]]

    @cached_property
    def kinds(self) -> frozenset[str]:
        """What the facts are called in a review."""
        return frozenset(facts.kind for facts in self.facts)


def shared_values(
    shared: Sequence[SharedValue], shown: Iterable[tuple[str, Any]]
) -> Iterator[tuple[int, Hashable]]:
    """What a device may have in common with others, each with its number in `shared`.

    Args:
        shown: Kinds of facts, each with the facts.
    """
    for kind, facts in shown:
        for number, one in enumerate(shared):
            if kind in one.kinds:
                yield from ((number, value) for value in one.values(facts))


class Fleet:
    """The devices of a review, for checks that compare them: who shows what, and nothing else of them.

    Args:
        shared: What is kept of each; a check names it in `compares`.

    Attributes:
        labels: Device id to how people call it.
    """

    def __init__(self, members: Iterable[DeviceView] = (), shared: Iterable[SharedValue] = ()) -> None:
        self.labels: dict[str, str] = {}
        self._holders: dict[SharedValue, dict[Hashable, set[str] | str]] = {one: {} for one in shared}
        for member in members:
            self.add(member.device.id, member.device.label, ((o.kind, o.facts) for o in member.observations))

    def add(self, device: str, label: str, shown: Iterable[tuple[str, Any]]) -> None:
        """Note what a device shows.

        Args:
            shown: Kinds of facts, each with the facts.
        """
        self.note(device, label, shared_values(tuple(self._holders), shown))

    def note(self, device: str, label: str, values: Iterable[tuple[int, Hashable]]) -> None:
        """The same, of what `shared_values` made of it.

        Args:
            values: Each with the number of what is kept that it belongs to.
        """
        self.labels[device] = label
        kept = tuple(self._holders.values())
        for number, value in values:
            known = kept[number].setdefault(value, device)  # most have one holder, and a set is large
            if isinstance(known, set):
                known.add(device)
            elif known != device:
                kept[number][value] = {known, device}

    def others(self, shared: SharedValue, value: Hashable, device: str) -> list[str]:
        """The ids of the other devices that show a value, sorted.

        Raises:
            LookupError: The check does not name `shared` in its `compares`.
        """
        if shared not in self._holders:
            if not self.labels:
                return []
            raise LookupError("the check compares what it does not name in `compares`")
        holders = self._holders[shared].get(value, ())
        return sorted({holders} - {device} if isinstance(holders, str) else set(holders) - {device})


@dataclass(frozen=True, kw_only=True)
class Check(Generic[S]):
    """One exposure, and how to tell it.

    Attributes:
        id: Names the exposure; the module's name with dashes.
        document: The module's docstring.
        reads: The kinds of facts it rests on; the engine runs only the probes that somebody reads.
        judge: Pure. Yields at least one outcome.
        identifies: Those of `reads` that only identify what else speaks on a port. Where one of them could not be obtained,
            the port is not recognised, and the judge decides by the rest.
        settings: Record of what a baseline decides for this check; a baseline must give every field without default.
        vectors: CCSS base vector by outcome, or for a flaw that of CVSS version 2, without PL and EM; "" is the only or ordinary one.
        reach: The furthest its probes go; None for a check that asks the network nothing.
        controls: NIST SP 800-53 Rev. 5 control ids.
        compares: What it looks up among the other devices of the review.
        service: Where the exposure is that a service is there at all: its word in a baseline's `allowed_services`.
        worse: Which way what it observes is worse, so that a risk acceptance covers no worse one; by the keys of the value
            where that has keys.
        by_absence: It fails where something is missing, which captured traffic cannot show.
        version: Raised whenever a verdict can differ.

    Raises:
        ContractBroken: The id, the docstring or the vectors are not what they must be.
    """

    id: str
    document: str | None
    reads: tuple[type[Any], ...]
    judge: Callable[[DeviceView, S], Iterable[Outcome]]
    vectors: Mapping[str, str]
    remedy: Remedy
    controls: tuple[str, ...]
    settings: type[S] = NoSettings  # type: ignore[assignment]
    reach: Reach | None = Reach.ASK
    compares: tuple[SharedValue, ...] = ()
    identifies: tuple[type[Any], ...] = ()
    service: str | None = None
    worse: Worse | Mapping[str, Worse] | None = None
    by_absence: bool = False
    version: str = "1"
    sections: Mapping[str, str] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        if not ID.fullmatch(self.id):
            raise ContractBroken(f"check id {self.id!r} is not lower-case words joined by dashes")
        sections = _sections(self.document or "")
        if tuple(sections)[1:] != HEADINGS:
            raise ContractBroken(
                f"check {self.id}: docstring headings are {tuple(sections)[1:]}, expected {HEADINGS}"
            )
        if not self.vectors:
            raise ContractBroken(f"check {self.id} has no vector")
        object.__setattr__(self, "sections", sections)

    @property
    def title(self) -> str:
        return self.sections[""].rstrip(".")

    @property
    def references(self) -> tuple[str, ...]:
        return tuple(part.strip() for part in self.sections["Sources"].rstrip(".").split(";"))


def _sections(document: str) -> dict[str, str]:
    """Split a docstring at its headings; the title is under "". Text is folded to one paragraph."""
    found: dict[str, list[str]] = {"": []}
    here = ""
    for line in inspect.cleandoc(document).splitlines():
        if line and not line.startswith(" ") and found[""]:
            here = line.strip()
            found[here] = []
        elif line.strip():
            found[here].append(line.strip())
    return {heading: " ".join(lines) for heading, lines in found.items()}


def fail(
    seen: Observation[Any],
    observed: str,
    expected: str,
    *,
    value: Any = None,
    wanted: Any = None,
    subject: str | None = None,
    vector: str | None = None,
    rule_set: RuleSet | None = None,
    protocol: str | None = None,
) -> Outcome:
    """The exposure is there: `seen` proves it at its endpoint.

    Args:
        observed: What was seen, for people.
        expected: What the baseline expects instead, for people.
        value: What was seen, for programs: plain JSON types. `Check.worse` compares it.
        wanted: What was expected, for programs.
        subject: Which of several things at that endpoint.
        vector: Key into the check's `vectors`.
        rule_set: The published rules that it was judged by.
        protocol: What is spoken there, where the endpoint of `seen` does not say it.
    """
    return _at(seen, Word.FAIL, observed, expected, value, wanted, subject, None, rule_set, protocol, vector)


def passed(
    seen: Observation[Any],
    observed: str,
    expected: str,
    *,
    value: Any = None,
    wanted: Any = None,
    subject: str | None = None,
    rule_set: RuleSet | None = None,
    protocol: str | None = None,
) -> Outcome:
    """The exposure is not there: `seen` shows it at its endpoint. Parameters as for `fail`."""
    return _at(seen, Word.PASS, observed, expected, value, wanted, subject, None, rule_set, protocol, None)


def unknown(
    seen: Observation[Any],
    observed: str,
    expected: str,
    *,
    reason: Reason = Reason.INCONCLUSIVE,
    subject: str | None = None,
    rule_set: RuleSet | None = None,
) -> Outcome:
    """Not determined at the endpoint of `seen`. Parameters as for `fail`.

    Args:
        reason: Why it is not determined.
    """
    return _at(seen, Word.UNKNOWN, observed, expected, None, None, subject, reason, rule_set, None, None)


def note(
    seen: Observation[Any],
    observed: str,
    expected: str,
    *,
    value: Any = None,
    subject: str | None = None,
    rule_set: RuleSet | None = None,
) -> Outcome:
    """Worth knowing and no verdict: `informational`. Parameters as for `fail`."""
    return _at(seen, Word.INFORMATIONAL, observed, expected, value, None, subject, None, rule_set, None, None)


def inapplicable(observed: str, expected: str) -> Outcome:
    """It does not apply to the device, by what the inventory or the baseline says, whatever the device might say."""
    return Outcome(
        word=Word.NOTAPPLICABLE, observed=Said(text=observed), expected=Said(text=expected), settled=True
    )


def _at(
    seen: Observation[Any],
    word: Word,
    observed: str,
    expected: str,
    value: Any,
    wanted: Any,
    subject: str | None,
    reason: Reason | None,
    rule_set: RuleSet | None,
    protocol: str | None,
    vector: str | None,
) -> Outcome:
    where = seen.endpoint
    if where is not None and protocol is not None:
        where = replace(where, protocol=protocol)
    return Outcome(
        word=word,
        observed=Said(text=observed, value=value),
        expected=Said(text=expected, value=wanted),
        endpoint=where,
        subject=subject,
        reason=reason,
        vector=vector,
        proof=(seen.id,),
        rule_set=rule_set,
    )
