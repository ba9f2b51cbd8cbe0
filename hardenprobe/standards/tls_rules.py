"""Rule sets: dated, published judgements of versions, suites and sizes, kept as data beside the baselines.

There is no single list of good and bad. A baseline names the rule set that a check judges by, and each result carries
its name and date.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path
from typing import Literal

from hardenprobe.model import RuleSet
from hardenprobe.model.document import digest
from hardenprobe.standards import rule_files

Say = Literal["must-not", "should-not", "may", "recommended"]


@dataclass(frozen=True, kw_only=True)
class Judgement:
    """What the rule set says of one thing, and where."""

    say: Say
    source: str

    @property
    def discouraged(self) -> bool:
        return self.say in ("must-not", "should-not")


@dataclass(frozen=True, kw_only=True)
class SuiteRule:
    """What the rule set says of the suites whose names match.

    Attributes:
        match: Patterns over the whole IANA name, `*` for anything.
        bits: Strength of the cipher where it is below 128; None elsewhere.
        unless: "encrypt-then-mac": the rule does not hold where RFC 7366 was negotiated with the suite.
        weakness: What is wrong, in a few words; the subject of a finding.
        kind: "none" (no protection at all), "weak" (practical attacks) or "dated" (advised against).
        ephemeral: Whether the key exchange is forward secret, in rules about key exchanges.
    """

    match: tuple[str, ...]
    say: Say
    source: str
    weakness: str = ""
    kind: Literal["none", "weak", "dated"] = "dated"
    bits: int | None = None
    unless: Literal["encrypt-then-mac"] | None = None
    ephemeral: bool | None = None

    @property
    def discouraged(self) -> bool:
        return self.say in ("must-not", "should-not")


@dataclass(frozen=True, kw_only=True)
class Size:
    """The smallest size that is enough, in bits."""

    bits: int
    source: str


@dataclass(frozen=True, kw_only=True)
class Sizes:
    """Smallest sizes of keys and groups."""

    rsa: Size
    dsa: Size
    curve: Size
    finite_field: Size


@dataclass(frozen=True, kw_only=True)
class TlsRules:
    """A rule set for TLS, key for key as its file has it.

    Attributes:
        rules: The file's name without ".yaml".
        name: As the world calls it; printed with each result.
        dated: Year and month of what it says.
        signatures: Hash to judgement; a hash that is not here is unrated.
    """

    rules: str
    title: str
    name: str
    dated: str
    sources: tuple[str, ...]
    versions: Mapping[str, Judgement]
    ciphers: tuple[SuiteRule, ...]
    key_exchanges: tuple[SuiteRule, ...]
    signatures: Mapping[str, Judgement] = field(default_factory=dict)
    sizes: Sizes
    _found: dict[tuple[bool, str, bool | None], SuiteRule | None] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )  # what was looked up before: the same few hundred suites come up at every port

    @property
    def rule_set(self) -> RuleSet:
        return RuleSet(name=self.name, date=self.dated)

    @property
    def distinctions(self) -> str:
        """Digest of what it distinguishes among suites and curves; the wording of sources and titles is no part of it."""
        rules = [
            [r.match, r.unless, r.weakness, r.discouraged, r.ephemeral]
            for r in (*self.ciphers, *self.key_exchanges)
        ]
        return digest([rules, self.sizes.curve.bits])[:16]

    def cipher(self, suite: str, encrypt_then_mac: bool | None = None) -> SuiteRule | None:
        """The rule about cipher and MAC of a suite; None for a suite that is unrated."""
        return self._first(self.ciphers, suite, encrypt_then_mac)

    def key_exchange(self, suite: str) -> SuiteRule | None:
        """The rule about the key exchange of a suite; None where it is unrated."""
        return self._first(self.key_exchanges, suite, None)

    def _first(
        self, rules: tuple[SuiteRule, ...], suite: str, encrypt_then_mac: bool | None
    ) -> SuiteRule | None:
        key = (rules is self.ciphers, suite, encrypt_then_mac)
        if key not in self._found:
            self._found[key] = _first(rules, suite, encrypt_then_mac)
        return self._found[key]


def _first(rules: tuple[SuiteRule, ...], suite: str, encrypt_then_mac: bool | None) -> SuiteRule | None:
    for rule in rules:
        if rule.unless == "encrypt-then-mac" and encrypt_then_mac:
            continue
        if any(fnmatchcase(suite, pattern) for pattern in rule.match):
            return rule
    return None


def shipped() -> dict[str, Path]:
    """Name to file of every rule set for TLS that comes with hardenprobe."""
    return rule_files.shipped("tls")


@cache
def load(name: str) -> TlsRules:
    """Load a shipped rule set, for example "rules-tls-rfc9325".

    Raises:
        UnknownName: There is none of that name.
        FileInvalid: It breaks its format.
    """
    return rule_files.read(name, "tls", TlsRules)
