"""The accepted set of every version, at one hello for each suite and one more.

A server picks one suite of those offered. Offering all, taking the pick away and asking again finds the whole set in
accepted + 1 hellos a version, each left after the first flight. What else the flights show comes along for nothing:
preference, groups, size of Diffie-Hellman, encrypt_then_mac. What is left to ask afterwards has a budget.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from hardenprobe.errors import CeilingReached
from hardenprobe.facts import TlsSuites
from hardenprobe.probes.tls.codec import SSL3, TLS12, TLS13, VERSION_NAMES
from hardenprobe.probes.tls.exchange import INAPPROPRIATE_FALLBACK, Reply, Talker
from hardenprobe.probes.tls.suites import (
    FALLBACK_SCSV,
    GROUPS,
    LATTICE_GROUPS,
    RENEGOTIATION_SCSV,
    TLS13_GROUPS,
    group_bits,
    group_name,
    is_tls13,
    strongest_first,
    suite_name,
    suites,
)
from hardenprobe.probes.tls.versions import ALL_VERSIONS, Versions, ask_in_pieces

EXTRA = 16  # connections of a whole fact sheet beyond one for each accepted suite
FINITE_FIELD = range(256, 261)  # the groups of RFC 7919
SMALL = 250  # bits; every curve below is weak or close to it, x25519 and secp256r1 lie above
MOST = 70  # connections of a whole fact sheet
_WALK_LIMIT = (
    200  # hellos of one version; a server that picks something new for ever is not believed for ever
)


@dataclass(eq=False, kw_only=True)
class Walk:
    """The walk of one version.

    Attributes:
        offers: The suites of each hello, in the order they were offered.
        picks: What was picked of each.
        why: A word of records.Reason when the walk did not end.
        groups: Groups that were picked.
    """

    version: int
    picks: list[int] = field(default_factory=list)
    offers: list[tuple[int, ...]] = field(default_factory=list)
    why: str | None = None
    groups: list[int] = field(default_factory=list)
    groups_complete: bool = False
    small_curves_asked: bool = False
    dh_bits: dict[str, int] = field(default_factory=dict)
    rsa_bits: dict[str, int] = field(default_factory=dict)
    encrypt_then_mac: dict[str, bool] = field(default_factory=dict)
    preference: str = "unknown"

    def note(self, reply: Reply, offer: Sequence[int]) -> None:
        """Write down a pick and what its flight shows."""
        assert reply.hello is not None
        suite = reply.hello.suite
        name = suite_name(suite)
        self.picks.append(suite)
        self.offers.append(tuple(offer))
        group = reply.hello.group if self.version >= TLS13 else reply.flight.group
        if group is not None and group not in self.groups:
            self.groups.append(group)
        if reply.flight.dh_bits is not None:
            self.dh_bits[name] = reply.flight.dh_bits
        if reply.flight.rsa_bits is not None:
            self.rsa_bits[name] = reply.flight.rsa_bits
        if "_CBC_" in name and SSL3 < self.version <= TLS12:
            self.encrypt_then_mac[name] = 22 in reply.hello.extensions

    def with_curve(self) -> list[int]:
        """Accepted suites whose key exchange uses a curve."""
        return [s for s in self.picks if any(kx in suites().get(s, "") for kx in ("ECDHE_", "ECDH_anon"))]

    def follows_client(self) -> bool:
        """Whether every pick was the first, in the client's order, of what is now known to be accepted."""
        accepted = set(self.picks)
        for offer, pick in zip(self.offers, self.picks, strict=True):
            if next((s for s in offer if s in accepted), pick) != pick:
                return False
            accepted.discard(pick)
        return True


async def ask_suites(found: Versions, *, beyond: bool = True) -> TlsSuites:
    """Walk every accepted version, then ask what the budget allows.

    Args:
        beyond: Ask for preference, groups and the fallback signal too, where they do not come for nothing.
    """
    walks = begin(found)
    chains_before = len(found.chains)
    fallback: bool | None = None
    try:
        for walk in walks.values():
            await _walk(found, walk)
        if beyond:
            fallback = await _ask_beyond(found, walks)
    except CeilingReached:
        cut(walks)
    return facts(found, walks, chains_before, fallback_scsv=fallback)


def begin(found: Versions) -> dict[int, Walk]:
    """A walk for each accepted version, the highest first."""
    return {v: Walk(version=v) for v in sorted(found.picked, reverse=True) if v >= SSL3}


def cut(walks: dict[int, Walk]) -> None:
    """Mark the walks that the limit of connections left open."""
    for walk in walks.values():
        if walk.why is None:
            walk.why = "ceiling"


def facts(found: Versions, walks: dict[int, Walk], chains_before: int, **more: Any) -> TlsSuites:
    """What walks have found, as facts.

    Args:
        chains_before: How many chains were known before the walks began.
        more: Further fields of TlsSuites.
    """
    accepted = {VERSION_NAMES[v]: tuple(suite_name(s) for s in w.picks) for v, w in walks.items()}
    if found.ssl2:
        accepted["SSL 2.0"] = tuple(suite_name(s) for s in found.ssl2)
    return TlsSuites(
        reached=found.reached,
        suites=accepted,
        unknown_why={VERSION_NAMES[v]: w.why for v, w in walks.items() if w.why and w.why != "done"},
        preference={VERSION_NAMES[v]: w.preference for v, w in walks.items()},
        groups={
            VERSION_NAMES[v]: {group_name(g): group_bits(g) for g in w.groups}
            for v, w in walks.items()
            if w.groups
        },
        groups_complete={VERSION_NAMES[v]: w.groups_complete for v, w in walks.items() if w.groups},
        small_curves_asked={
            VERSION_NAMES[v]: w.small_curves_asked
            for v, w in walks.items()
            if w.groups or ("classes" in more and v <= TLS12)
        },
        dh_bits={VERSION_NAMES[v]: w.dh_bits for v, w in walks.items() if w.dh_bits},
        rsa_export_bits={VERSION_NAMES[v]: w.rsa_bits for v, w in walks.items() if w.rsa_bits},
        encrypt_then_mac={
            VERSION_NAMES[v]: w.encrypt_then_mac for v, w in walks.items() if w.encrypt_then_mac
        },
        chains=tuple(found.chains[chains_before:]),
        broken=found.talker.broken,
        connections=found.talker.connections,
        **more,
    )


async def _ask_beyond(found: Versions, walks: dict[int, Walk]) -> bool | None:
    """Ask what a verdict needs first; return what came of the fallback signal."""
    talker = found.talker
    budget = _Budget(talker, sum(len(w.picks) for w in walks.values()))
    fallback = await _fallback(found, walks, budget)
    await _preference(talker, walks, budget, of=2)
    await _small_curves(talker, walks, budget)
    await _groups_new(talker, walks, budget)
    await _groups_old(talker, walks, budget)
    await _preference(talker, walks, budget, of=3)
    return fallback


class _Budget:
    """How many connections are left for what goes beyond versions and suites.

    A sheet costs at most EXTRA beyond the accepted suites. Where those alone pass MOST, only what verdicts need is asked.
    """

    def __init__(self, talker: Talker, accepted: int) -> None:
        self._talker = talker
        self._needed = accepted + EXTRA
        self._wanted = min(accepted + EXTRA, MOST)

    def left(self, *, needed: bool = False) -> bool:
        return self._talker.connections < (self._needed if needed else self._wanted)


async def _walk(found: Versions, walk: Walk) -> None:
    """Ask until the version accepts nothing more."""
    version = walk.version
    first = found.replies[version]
    candidates = [
        s for s in strongest_first() if is_tls13(s) == (version >= TLS13) or s == found.picked[version]
    ]
    walk.note(first, found.offers[version])
    known = [found.picked[version]]
    while len(walk.picks) < _WALK_LIMIT:
        rest = [s for s in candidates if s not in walk.picks]
        # The first hello offered the strongest first; from there the order alternates, which tells whose counts.
        if len(walk.picks) % 2:
            rest.reverse()
        reply = await ask_walk(found.talker, version, rest, walk.groups)
        pick = reply.picked([version], rest)
        if pick is not None:
            walk.note(reply, rest)
            found.see_chain(reply.chain, reply.left_out)
            continue
        if reply.kind in ("alert", "picked"):
            walk.why = "done"
        elif reply.kind == "closed":
            again = await ask_walk(found.talker, version, known, [])
            walk.why = "done" if again.kind == "picked" else "dropped"
        else:
            walk.why = "silent" if reply.kind in ("silent", "unreachable") else "inconclusive"
        return
    walk.why = "inconclusive"


async def ask_walk(talker: Talker, version: int, offer: Sequence[int], met: Sequence[int]) -> Reply:
    """One question of a walk. Groups that were met go last, so that a server that follows us shows a new one."""
    table = [*TLS13_GROUPS, *LATTICE_GROUPS] if version >= TLS13 else list(GROUPS)
    groups = [g for g in table if g not in met] + [g for g in table if g in met]
    if version >= TLS13:
        return await ask_in_pieces(talker, [version], offer, groups=groups, until_hello=True)
    below = [v for v in ALL_VERSIONS if v <= version]
    return await ask_in_pieces(talker, below, [*offer, RENEGOTIATION_SCSV], groups=groups)


async def _fallback(found: Versions, walks: dict[int, Walk], budget: _Budget) -> bool | None:
    """Fall back on purpose, and say so (RFC 7507)."""
    lower = [v for v in walks if v <= TLS12 and any(higher > v for higher in walks)]
    if not lower or not budget.left(needed=True):
        return None
    offer = [*walks[lower[0]].picks, FALLBACK_SCSV, RENEGOTIATION_SCSV]
    below = [v for v in ALL_VERSIONS if v <= lower[0]]
    reply = await found.talker.hello(below, offer)
    if reply.alert == INAPPROPRIATE_FALLBACK:
        return True
    return False if reply.kind == "picked" else None


async def _preference(talker: Talker, walks: dict[int, Walk], budget: _Budget, of: int) -> None:
    """Tell whose order counts, for walks of `of` suites or, with 3, of more.

    Two suites follow both orders by chance every other time, three every sixth time; one more hello settles it.
    """
    for walk in walks.values():
        count = len(walk.picks)
        if walk.why != "done" or (count > 2) != (of > 2):
            continue
        if count == 1:
            walk.preference = "single"
        elif not walk.follows_client():
            walk.preference = "server"
        elif count > 3 or (count == 3 and not budget.left()):
            walk.preference = "client"
        elif budget.left(needed=count == 2):
            # Offered the other way round, only a server that follows the client picks another than at first.
            offer = [s for s in reversed(walk.offers[0]) if s in walk.picks]
            reply = await ask_walk(talker, walk.version, offer, [])
            if reply.kind == "picked" and reply.hello is not None:
                walk.preference = "client" if reply.hello.suite == offer[0] else "server"


async def _groups_new(talker: Talker, walks: dict[int, Walk], budget: _Budget) -> None:
    """Ask TLS 1.3 for the groups that no HelloRetryRequest has named yet."""
    walk = walks.get(TLS13)
    if walk is None:
        return
    while budget.left():
        rest = [g for g in (*TLS13_GROUPS, *LATTICE_GROUPS) if g not in walk.groups]
        reply = await talker.hello([TLS13], walk.picks, groups=rest, until_hello=True)
        if reply.picked([TLS13], walk.picks) is None or reply.hello is None or reply.hello.group not in rest:
            walk.groups_complete = reply.kind in ("alert", "picked")
            return
        walk.groups.append(reply.hello.group)


async def _small_curves(talker: Talker, walks: dict[int, Walk], budget: _Budget) -> None:
    """Ask for nothing but small curves: a verdict rests on them."""
    small = [g for g, (_, bits) in GROUPS.items() if bits < SMALL]
    for walk in _with_curves(walks):
        walk.small_curves_asked = await _curves(talker, walk, small, lambda: budget.left(needed=True))


async def _groups_old(talker: Talker, walks: dict[int, Walk], budget: _Budget) -> None:
    """Ask for the curves that nothing has shown yet."""
    newer = walks[TLS13].groups if TLS13 in walks else []
    table = [
        g for g, (_, bits) in GROUPS.items() if bits >= SMALL and g not in newer and g not in FINITE_FIELD
    ]
    for walk in _with_curves(walks):
        walk.groups_complete = await _curves(talker, walk, table, budget.left) and walk.small_curves_asked


def _with_curves(walks: dict[int, Walk]) -> list[Walk]:
    """The highest old version that does ECDHE; a server has one list of curves for all of them."""
    return [w for v, w in walks.items() if v <= TLS12 and w.with_curve()][:1]


async def _curves(talker: Talker, walk: Walk, table: Sequence[int], left: Callable[[], bool]) -> bool:
    """Ask for curves out of a table until none is picked; tell whether it came to that."""
    below = [v for v in ALL_VERSIONS if v <= walk.version]
    offer = walk.with_curve()
    while left():
        rest = [g for g in table if g not in walk.groups]
        if not rest:
            return True
        reply = await talker.hello(below, offer, groups=rest)
        if reply.kind == "closed":  # a refusal only while the port still answers what it is known to take
            reply = await talker.hello(below, offer)
            return reply.kind == "picked"
        if reply.picked([walk.version], offer) is None or reply.flight.group not in rest:
            return reply.kind in ("alert", "picked")
        walk.groups.append(reply.flight.group)
    return False
