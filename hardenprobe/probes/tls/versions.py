"""TLS of one port: which versions, which certificate, at a handful of connections.

One hello that offers everything tells the preferred version; the next asks below it. `tls_walk` asks the dearer half.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from hardenprobe.errors import CeilingReached
from hardenprobe.facts import VERSIONS, Chain, TlsPort
from hardenprobe.probes.pki.certificates import TrustAnchors, describe_chain
from hardenprobe.probes.tls.codec import SSL3, TLS10, TLS11, TLS12, TLS13, VERSION_NAMES
from hardenprobe.probes.tls.exchange import PROTOCOL_VERSION, Reply, Talker, said_text
from hardenprobe.probes.tls.ssl2 import Ssl2Hello
from hardenprobe.probes.tls.suites import (
    PLAIN_GROUPS,
    RENEGOTIATION_SCSV,
    is_tls13,
    strongest_first,
    suite_name,
)

ALL_VERSIONS = (TLS13, TLS12, TLS11, TLS10, SSL3)
# Asked in this order of a port that answers nothing to the whole offer: what is left out, highest version, suites.
_SMALLER = (
    (("many suites", "TLS 1.3"), TLS12, 128, True),
    (("many suites", "TLS 1.3"), TLS12, 32, True),
    (("many suites", "TLS 1.3", "extensions"), TLS10, 24, False),
)


@dataclass(eq=False, kw_only=True)
class Versions:
    """What is being found out about one port; becomes a TlsPort.

    Attributes:
        ssl2: Suites of SSL 2.0, which tells all of them in one answer.
        compressing: Version to whether compression was picked, where it was offered.
    """

    talker: Talker
    anchors: TrustAnchors
    reached: str = "implicit"
    versions: dict[int, str] = field(default_factory=dict)
    why: dict[int, str] = field(default_factory=dict)
    picked: dict[int, int] = field(default_factory=dict)
    replies: dict[int, Reply] = field(default_factory=dict)
    offers: dict[int, tuple[int, ...]] = field(default_factory=dict)
    alerts: dict[int, int] = field(default_factory=dict)
    chains: list[Chain] = field(default_factory=list)
    leaves: set[bytes] = field(default_factory=set)
    certificate_requested: bool = False
    intolerant: tuple[str, ...] = ()
    ssl2: tuple[int, ...] = ()
    compressing: dict[int, bool] = field(default_factory=dict)

    def note(self, reply: Reply, versions: Sequence[int], suites: Sequence[int]) -> int | None:
        """Write down what a reply shows; return the version that was picked."""
        pick = reply.picked(versions, suites)
        if pick is None:
            return None
        version, suite = pick
        self.versions[version] = "accepted"
        self.picked.setdefault(version, suite)
        self.replies.setdefault(version, reply)
        self.offers.setdefault(version, tuple(suites))
        if versions[0] <= TLS12 and reply.hello:  # TLS 1.3 forbids the offer
            self.compressing.setdefault(version, reply.hello.compression != 0)
        self.certificate_requested |= reply.certificate_requested
        self.see_chain(reply.chain, reply.left_out)
        return version

    def see_chain(self, ders: Sequence[bytes], left_out: int = 0) -> None:
        """Keep a certificate that was not met before."""
        if not ders or ders[0] in self.leaves or len(self.leaves) >= 8:
            return
        self.leaves.add(ders[0])
        chain = describe_chain(ders, self.anchors, left_out=left_out)
        if len(self.leaves) > 1:
            kind = chain.certificates[0].key_type if chain.certificates else "unreadable"
            label = f"{kind} certificate"
            if any(other.label == label for other in self.chains):
                label += f" {len(self.leaves)}"
            chain = Chain(
                label=label,
                certificates=chain.certificates,
                path=chain.path,
                left_out=chain.left_out,
                fault=chain.fault,
            )
        self.chains.append(chain)

    def facts(self) -> TlsPort:
        named = dict.fromkeys(VERSIONS, "unknown")
        named |= {VERSION_NAMES[v]: state for v, state in self.versions.items()}
        old = {v: r for v, r in self.replies.items() if v <= TLS12 and r.hello}
        return TlsPort(
            speaks=True,
            reached=self.reached,
            versions=named,
            unknown_why={
                name: next((why for v, why in self.why.items() if VERSION_NAMES[v] == name), "inconclusive")
                for name, state in named.items()
                if state == "unknown"
            },
            picked={VERSION_NAMES[v]: suite_name(s) for v, s in sorted(self.picked.items(), reverse=True)},
            chains=tuple(self.chains),
            secure_renegotiation={
                VERSION_NAMES[v]: 0xFF01 in r.hello.extensions for v, r in old.items() if r.hello
            },
            compression={VERSION_NAMES[v]: picked for v, picked in self.compressing.items()},
            extended_master_secret={
                VERSION_NAMES[v]: 23 in r.hello.extensions for v, r in old.items() if r.hello and v > SSL3
            },
            certificate_requested=self.certificate_requested,
            alerts={VERSION_NAMES[v]: number for v, number in self.alerts.items()},
            intolerant=self.intolerant,
            broken=self.talker.broken,
            connections=self.talker.connections,
        )


async def ask_versions(
    talker: Talker, anchors: TrustAnchors, reached: str = "implicit"
) -> tuple[Versions | None, TlsPort]:
    """Find versions and certificates; None where the port speaks no TLS."""
    found = Versions(talker=talker, anchors=anchors, reached=reached)
    everything = [*strongest_first(), RENEGOTIATION_SCSV]
    reply = await talker.hello(ALL_VERSIONS, everything, share=29)
    first = reply
    if not reply.is_tls and reply.kind not in ("unreachable", "no upgrade") and not _other_protocol(reply):
        reply = await _smaller(found, reply)
    if not reply.is_tls:
        fault = reply.kind if reply.kind in ("closed", "silent", "no upgrade") else "not TLS"
        if first.kind == "malformed" and not _other_protocol(first):
            fault = "broken"
        if reply.kind == "unreachable":
            fault = reply.said.decode()
        said = said_text(first) if first.kind in ("malformed", "no upgrade") else ""
        return None, TlsPort(
            speaks=False, reached=reached, fault=fault, answer=said, connections=talker.connections
        )
    top = found.note(reply, ALL_VERSIONS, everything)
    try:
        await _ask_below(found, everything, top, reply)
        await _ask_compression(found, everything, top)
        await _ask_ssl2(found)
    except CeilingReached:
        for version in VERSION_NAMES:
            if found.versions.get(version) is None:
                found.versions[version] = "unknown"
                found.why[version] = "ceiling"
    if "accepted" not in found.versions.values():  # what is refused may be the name that it was asked by
        for version, state in found.versions.items():
            if state == "refused":
                found.versions[version], found.why[version] = "unknown", "inconclusive"
    return found, found.facts()


def _other_protocol(reply: Reply) -> bool:
    """It answered, and in no record of TLS: asking again in smaller words is no use."""
    return not reply.broken and reply.kind == "malformed" and reply.said[:2] not in (b"\x15\x03", b"\x16\x03")


async def _smaller(found: Versions, reply: Reply) -> Reply:
    """Retry a port that chokes on the whole offer; silence is retried once, since each try costs its whole wait."""
    talker = found.talker
    for left_out, top, chunk, extensions in _SMALLER if reply.kind != "silent" else _SMALLER[1:2]:
        suites = [s for s in strongest_first() if not is_tls13(s)][: chunk - 1]
        talker.extensions = extensions
        reply = await talker.hello([v for v in ALL_VERSIONS if v <= top], [*suites, RENEGOTIATION_SCSV])
        if reply.is_tls:
            talker.chunk = chunk
            talker.broken = ""  # by what it cannot stand
            found.intolerant = left_out
            return reply
    return reply


async def _ask_below(found: Versions, everything: Sequence[int], top: int | None, reply: Reply) -> None:
    """Ask every version that the first answer left open."""
    suspicious: list[int] = []
    ruled_out = False
    if top != TLS13:
        thirteen = [s for s in everything if is_tls13(s)]
        answer = await _asked_plainly(found.talker, [TLS13], thirteen, share=29)
        _judge(found, TLS13, answer, thirteen, suspicious)
    if top is None and reply.alert == PROTOCOL_VERSION:
        ruled_out = True  # of everything from 1.3 down
    below = [v for v in ALL_VERSIONS if v < TLS13 and (top is None or v < top)]
    if top is not None:
        for version in ALL_VERSIONS:
            if top < version < TLS13:
                found.versions[version] = "refused"
    for version in below:
        if version in found.versions:
            continue
        if ruled_out:
            found.versions[version] = "refused"
            found.alerts[version] = PROTOCOL_VERSION
            continue
        offer = [v for v in ALL_VERSIONS if v <= version]
        suites = [s for s in everything if not is_tls13(s)]
        answer = await _asked_plainly(found.talker, offer, suites)
        got = _judge(found, version, answer, suites, suspicious)
        if got is not None:
            for skipped in offer:
                if skipped > got:
                    found.versions[skipped] = "refused"
        ruled_out = answer.alert == PROTOCOL_VERSION
    if suspicious:
        await _confirm(found, suspicious)


async def _ask_compression(found: Versions, everything: Sequence[int], top: int | None) -> None:
    """Offer compression in the highest version too, where that was found by a question that may not offer it."""
    if top is None or top > TLS12 or top in found.compressing:
        return
    offer = [v for v in ALL_VERSIONS if v <= top]
    suites = [s for s in everything if not is_tls13(s)]
    found.note(await _asked_plainly(found.talker, offer, suites), offer, suites)


async def _asked_plainly(
    talker: Talker, versions: Sequence[int], suites: Sequence[int], share: int | None = None
) -> Reply:
    """Ask with all there is; where the hello itself is refused, ask once more with the commonest words only."""
    reply = await ask_in_pieces(talker, versions, suites, share=share)
    if reply.complains:
        few = [s for s in suites if s != RENEGOTIATION_SCSV][:24]
        reply = await talker.hello(versions, [*few, RENEGOTIATION_SCSV], groups=PLAIN_GROUPS, share=share)
    return reply


def _judge(
    found: Versions, version: int, answer: Reply, suites: Sequence[int], suspicious: list[int]
) -> int | None:
    """Write down what a question for one version (or those below it) drew."""
    offered = [v for v in ALL_VERSIONS if v <= version] if version < TLS13 else [version]
    got = found.note(answer, offered, suites)
    if got is not None:
        return got
    if answer.kind == "picked" or (answer.kind == "alert" and not answer.complains):
        found.versions[version] = "refused"
        if answer.alert is not None:
            found.alerts[version] = answer.alert
    elif answer.kind == "closed":
        found.versions[version] = "refused"
        suspicious.append(version)
    else:
        found.versions[version] = "unknown"
        found.why[version] = "silent" if answer.kind in ("silent", "unreachable") else "inconclusive"
    return None


async def _confirm(found: Versions, suspicious: Sequence[int]) -> None:
    """A close without an alert is a refusal only while the port still answers a hello that it is known to take."""
    known = next(iter(found.picked.items()), None)
    if known is not None:
        version, suite = known
        answer = await found.talker.hello([version], [suite], share=29, until_hello=True)
        if answer.kind == "picked":
            return
    for version in suspicious:
        found.versions[version] = "unknown"
        found.why[version] = "dropped"


async def _ask_ssl2(found: Versions) -> None:
    answer = await found.talker.ssl2()
    if isinstance(answer, Ssl2Hello):
        accepted = bool(answer.suites)
        found.versions[2] = "accepted" if accepted else "refused"
        found.ssl2 = answer.suites
        if accepted:
            found.picked[2] = answer.suites[0]
            found.see_chain([answer.certificate] if answer.certificate else [])
    elif answer.kind in ("silent", "unreachable"):
        found.versions[2], found.why[2] = "unknown", "silent"
    else:
        found.versions[2] = "refused"


async def ask_in_pieces(talker: Talker, versions: Sequence[int], suites: Sequence[int], **how: Any) -> Reply:
    """Ask with as many suites a hello as the port can bear; halve where it chokes.

    Returns:
        The first pick, else the last answer.
    """
    signal = [s for s in suites if s == RENEGOTIATION_SCSV]
    suites = [s for s in suites if s != RENEGOTIATION_SCSV]
    size = max(1, min(talker.chunk, len(suites)))
    reply = Reply(kind="closed", offered=0)
    at = 0
    while at < len(suites) or not suites:
        part = list(suites[at : at + size])
        reply = await talker.hello(versions, [*part, *signal], **how)
        if reply.kind == "picked":
            return reply
        choked = reply.kind in ("closed", "silent", "malformed") and len(part) > talker.proven
        choked = choked and not reply.broken
        if choked and size > 16:
            size = max(16, size // 2) if reply.kind != "silent" else 16
            talker.chunk = size
            continue
        at += len(part)
        if not suites or reply.alert == PROTOCOL_VERSION:
            break
    return reply
