"""Rule sets for SSH: what published documents say of each algorithm name, kept as data beside the baselines."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path
from typing import Literal

from hardenprobe.model import RuleSet
from hardenprobe.standards import rule_files
from hardenprobe.standards.tls_rules import Size

Say = Literal["must-not", "should-not", "may", "should", "must"]
Kind = Literal["none", "weak", "dated"]


@dataclass(frozen=True, kw_only=True)
class NameRule:
    """What the rule set says of the algorithms whose names match.

    Attributes:
        match: Patterns over the whole name, `*` for anything.
        unless_offered: The rule does not hold where one of these is offered as well.
        weakness: What is wrong, in a few words; the subject of a finding.
        kind: "none" (no protection at all), "weak" (practical attacks) or "dated" (advised against).
    """

    match: tuple[str, ...]
    say: Say
    source: str
    unless_offered: tuple[str, ...] = ()
    weakness: str = ""
    kind: Kind = "dated"

    @property
    def discouraged(self) -> bool:
        return self.say in ("must-not", "should-not")


@dataclass(frozen=True, kw_only=True)
class PrefixTruncation:
    """Where messages at the start of a connection can be cut off unseen.

    Attributes:
        marker: Name in the key exchange list by which a server says that it counts strictly.
        ciphers: Vulnerable with any MAC.
        ciphers_with_macs: Vulnerable together with one of `macs`.
    """

    marker: str
    ciphers: tuple[str, ...]
    ciphers_with_macs: tuple[str, ...]
    macs: tuple[str, ...]
    source: str


@dataclass(frozen=True, kw_only=True)
class SshRules:
    """A rule set for SSH, key for key as its file has it.

    Attributes:
        rules: The file's name without ".yaml".
        name: As the world calls it; printed with each result.
        markers: Names in the lists that are no algorithms.
    """

    rules: str
    title: str
    name: str
    dated: str
    sources: tuple[str, ...]
    markers: tuple[str, ...]
    key_exchanges: tuple[NameRule, ...]
    ciphers: tuple[NameRule, ...]
    macs: tuple[NameRule, ...]
    host_keys: tuple[NameRule, ...]
    rsa: Size
    group_exchange: Size
    prefix_truncation: PrefixTruncation

    @property
    def rule_set(self) -> RuleSet:
        return RuleSet(name=self.name, date=self.dated)

    def is_marker(self, name: str) -> bool:
        return matches(name, self.markers)

    def rate(
        self, rules: Iterable[NameRule], offered: Collection[str]
    ) -> tuple[list[tuple[NameRule, list[str]]], list[str]]:
        """Rate every offered name.

        Returns:
            Discouraging rules in the file's order, each with the names that it speaks of; and the names without a rule.
        """
        by_rule: dict[int, tuple[NameRule, list[str]]] = {}
        unrated: list[str] = []
        order = list(rules)
        for name in offered:
            if self.is_marker(name):
                continue
            for place, rule in enumerate(order):
                if matches(name, rule.match) and not set(rule.unless_offered) & set(offered):
                    if rule.discouraged:
                        by_rule.setdefault(place, (rule, []))[1].append(name)
                    break
            else:
                unrated.append(name)
        return [by_rule[place] for place in sorted(by_rule)], unrated


def matches(name: str, patterns: Iterable[str]) -> bool:
    return any(fnmatchcase(name, pattern) for pattern in patterns)


def shipped() -> dict[str, Path]:
    """Name to file of every rule set for SSH that comes with hardenprobe."""
    return rule_files.shipped("ssh")


@cache
def load(name: str) -> SshRules:
    """Load a shipped rule set, for example "rules-ssh-rfc9142".

    Raises:
        UnknownName: There is none of that name.
        FileInvalid: It breaks its format.
    """
    return rule_files.read(name, "ssh", SshRules)
