"""The accepted classes of every version: what the verdicts of the shipped rule-sets rest on, in at most MOST connections.

A class is what a rule-set tells apart, a kind of certificate, or a kind of key exchange whose size may be its own. A hello
offers only suites of classes that no accepted suite has shown yet, in whatever version: what it leaves out could add a name
to a finding, and no finding.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache

from hardenprobe.errors import CeilingReached
from hardenprobe.facts import Chain, TlsSuites
from hardenprobe.probes.tls.codec import SSL3, TLS12, TLS13
from hardenprobe.probes.tls.suites import GROUPS, group_bits, is_tls13, strongest_first, suite_name
from hardenprobe.probes.tls.versions import ALL_VERSIONS, Versions
from hardenprobe.probes.tls.walk import Walk, ask_walk, begin, cut, facts
from hardenprobe.standards.tls_rules import load, shipped

MOST = 24  # connections of a port, those for versions and certificates included

_CERTIFICATES = {"ECDSA_": "EC", "_DSS_": "DSA", "RSA_": "RSA"}  # authentication of a suite to the key type


@cache
def classes(suite: str, encrypt_then_mac: bool = False) -> frozenset[str]:
    """The classes that a suite belongs to.

    Args:
        suite: Its IANA name.
        encrypt_then_mac: Whether RFC 7366 was negotiated with it.
    """
    return frozenset(_classes(suite, encrypt_then_mac))


def _classes(suite: str, encrypt_then_mac: bool) -> Iterator[str]:
    for rules in map(load, shipped()):
        cipher, exchange = rules.cipher(suite, encrypt_then_mac), rules.key_exchange(suite)
        if cipher is None:
            yield f"{rules.rules} cipher unrated"
        elif cipher.discouraged:
            yield f"{rules.rules} cipher {cipher.weakness}"
        if exchange is not None and exchange.ephemeral is False:
            yield f"{rules.rules} key exchange {exchange.weakness}"
    export = "_EXPORT1024_" if "_EXPORT1024_" in suite else "_EXPORT_" if "_EXPORT_" in suite else ""
    if "DHE_" in suite.replace("ECDHE_", "") or "_DH_anon_" in suite:
        # Some libraries fit the group to the certificate's key and, where there is none, to the cipher's.
        bare = "_anon_" in suite or "_PSK_" in suite
        yield f"finite field{export or ' without certificate' * bare + ' 256' * (bare and '_256_' in suite)}"
    elif export:
        yield f"temporary RSA key{export}"
    for word, kind in _CERTIFICATES.items():
        if word in suite and not suite.startswith("SSL_"):
            yield f"{kind} certificate"
            break


@dataclass
class _ClassState:
    """The classes that something accepted has shown, and what each version makes of encrypt_then_mac."""

    classes: set[str] = field(default_factory=set)
    protects: dict[int, bool] = field(default_factory=dict)

    def add(self, walk: Walk, chains: list[Chain]) -> None:
        """Add what the last pick of a walk shows, and the certificates that came so far."""
        name = suite_name(walk.picks[-1])
        if (protected := walk.encrypt_then_mac.get(name)) is not None:
            self.protects[walk.version] = protected
        self.classes |= classes(name, bool(protected))
        self.classes |= {f"{one.key_type} certificate" for chain in chains for one in chain.certificates[:1]}

    def open(self, version: int) -> list[int]:
        """The suites of a version that belong to a class not yet shown, those of the most such classes first."""
        found = {s: len(self._new(version, suite_name(s))) for s in strongest_first()}
        candidates = [s for s, new in found.items() if new and is_tls13(s) == (version >= TLS13)]
        return sorted(candidates, key=lambda s: -found[s])

    def _new(self, version: int, suite: str) -> frozenset[str]:
        protects = self.protects.get(version, False if version in (SSL3, TLS13) else None)
        ways = (True, False) if protects is None else (protects,)
        return frozenset().union(*(classes(suite, way) for way in ways)) - self.classes


async def ask_classes(found: Versions) -> TlsSuites:
    """Ask every accepted version for the classes that are still open, then for curves that a rule-set calls too small."""
    walks, chains_before, known = begin(found), len(found.chains), _ClassState()
    for suite in found.ssl2:
        known.classes |= classes(suite_name(suite))
    for version, walk in walks.items():
        walk.note(found.replies[version], found.offers[version])
        known.add(walk, found.chains)
    closed: list[Walk] = []
    try:
        for walk in walks.values():
            await _walk(found, walk, known, closed)
        await _small_curves(found, walks)
        await _confirm(found, closed)
    except CeilingReached:
        cut(walks)
    return facts(found, walks, chains_before, classes={name: load(name).distinctions for name in shipped()})


async def _walk(found: Versions, walk: Walk, known: _ClassState, closed: list[Walk]) -> None:
    """Ask until the version accepts no suite of an open class."""
    while offer := known.open(walk.version):
        reply = await ask_walk(found.talker, walk.version, offer, walk.groups)
        if reply.picked([walk.version], offer) is not None:
            walk.note(reply, offer)
            found.see_chain(reply.chain, reply.left_out)
            known.add(walk, found.chains)
        elif reply.kind == "closed":
            closed.append(walk)
            return
        elif reply.kind in ("alert", "picked"):
            break
        else:
            walk.why = "silent" if reply.kind in ("silent", "unreachable") else "inconclusive"
            return
    walk.why = "done"


async def _confirm(found: Versions, closed: list[Walk]) -> None:
    """Take a close for a refusal only while the port still answers a hello that it is known to take."""
    if closed:
        last = closed[-1]
        reply = await ask_walk(found.talker, last.version, last.picks[:1], [])
        for walk in closed:
            walk.why = "done" if reply.kind == "picked" else "dropped"


async def _small_curves(found: Versions, walks: dict[int, Walk]) -> None:
    """Offer nothing but curves below every shipped rule-set's size; a server has one list of curves for all versions."""
    least = max(load(name).sizes.curve.bits for name in shipped())
    small = [group for group in GROUPS if group_bits(group) < least]
    offer = [s for s in strongest_first() if any(kx in suite_name(s) for kx in ("_ECDHE_", "_ECDH_anon_"))]
    for walk in [walk for version, walk in walks.items() if version <= TLS12][:1]:
        below = [version for version in ALL_VERSIONS if version <= walk.version]
        reply = await found.talker.hello(below, offer, groups=small)
        if reply.picked([walk.version], offer) is not None and reply.flight.group in small:
            walk.groups.append(reply.flight.group)
        elif reply.kind == "closed":  # a refusal only while the port still answers what it is known to take
            reply = await found.talker.hello(below, walk.picks)
            walk.small_curves_asked = reply.kind == "picked"
            return
        walk.small_curves_asked = reply.kind in ("alert", "picked")
