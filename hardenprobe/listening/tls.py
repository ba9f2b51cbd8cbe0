"""TLS as it was negotiated: hellos of both sides, and the certificates that were sent in clear."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import VERSIONS, Chain, TlsPort, TlsSuites
from hardenprobe.listening.heard import Heard, Said, starred
from hardenprobe.model import Reason
from hardenprobe.probes.pki.certificates import describe_chain
from hardenprobe.probes.tls.codec import (
    SSL3,
    TLS12,
    VERSION_NAMES,
    ClientHello,
    Flight,
    ServerHello,
    broken_rule,
    read_client_hello,
    read_flight,
)
from hardenprobe.probes.tls.suites import RENEGOTIATION_SCSV, group_bits, group_name, suite_name

LIMIT = 1 << 16  # bytes of one side's first words
READINGS = 32  # of one flight, which comes in pieces
CHAINS = 8  # of one port
SUITES = 512  # of one version
_RENEGOTIATION, _MASTER_SECRET, _ENCRYPT_THEN_MAC = 0xFF01, 23, 22


@dataclass
class _Port:
    """What is known of one port."""

    facts: TlsPort
    suites: TlsSuites
    seconds: float
    said: list[Said]


class TlsPorts:
    """What is known of the TLS of one address, port by port."""

    def __init__(self, heard: Heard) -> None:
        self._heard = heard
        self._ports: dict[tuple[int, str], _Port] = {}

    def add(
        self, port: int, reached: str, offer: ClientHello, flight: Flight, seconds: float, said: list[Said]
    ) -> None:
        """Take what both sides said first. A server that breaks its own rules accepts nothing by that."""
        hello = flight.hello
        if hello is None or broken_rule(offer, hello):
            return
        if (port, reached) not in self._ports:
            self._ports[port, reached] = _Port(*_nothing(reached), seconds, said)
        known = self._ports[port, reached]
        name, suite = VERSION_NAMES[hello.version], suite_name(hello.suite)
        facts, met = known.facts, known.suites.suites.get(name, ())
        known.facts = replace(
            facts,
            versions={**facts.versions, name: "accepted"},
            unknown_why={version: why for version, why in facts.unknown_why.items() if version != name},
            picked={name: suite, **facts.picked},
            chains=self._chains(facts.chains, flight),
            certificate_requested=facts.certificate_requested or flight.certificate_requested,
            **_signals(facts, name, offer, hello),
        )
        known.suites = replace(
            known.suites,
            suites={**known.suites.suites, name: met if suite in met else (*met, suite)[:SUITES]},
            unknown_why={**known.suites.unknown_why, name: Reason.NOT_SEEN.value},
            preference={**known.suites.preference, name: "unknown"},
            **_parameters(known.suites, name, suite, offer, flight),
        )

    def finish(self) -> None:
        """Make observations of what was heard."""
        for (port, reached), known in self._ports.items():
            where = self._heard.at(port, "tls" if reached == "implicit" else f"{reached}+tls")
            for facts in (known.facts, known.suites):
                seen = self._heard.observe(facts, where, known.seconds, known.said)
                self._heard.keep((type(facts), port, reached), seen)

    def _chains(self, known: tuple[Chain, ...], flight: Flight) -> tuple[Chain, ...]:
        if not flight.chain or len(known) >= CHAINS:
            return known
        chain = describe_chain(flight.chain, self._heard.terms.anchors, left_out=flight.left_out)
        leaf = chain.certificates[0].sha256 if chain.certificates else None
        if any((one.certificates[0].sha256 if one.certificates else None) == leaf for one in known):
            return known
        label = f"{chain.certificates[0].key_type if chain.certificates else 'unreadable'} certificate"
        if any(one.label == label for one in known):
            label = f"{label} {len(known) + 1}"
        return (*known, replace(chain, label=label) if known else chain)


def _nothing(reached: str) -> tuple[TlsPort, TlsSuites]:
    """A port that speaks TLS, and nothing else known of it."""
    unknown: dict[str, str] = dict.fromkeys(VERSIONS, "unknown")
    why: dict[str, str] = dict.fromkeys(VERSIONS, Reason.NOT_SEEN.value)
    return TlsPort(speaks=True, reached=reached, versions=unknown, unknown_why=why), TlsSuites(
        reached=reached
    )


def _signals(facts: TlsPort, version: str, offer: ClientHello, hello: ServerHello) -> dict[str, Any]:
    """What the server answered of what was offered; a client that did not offer it shows nothing."""
    if hello.version > TLS12:
        return {}
    offered = offer.answerable | ({_RENEGOTIATION} if RENEGOTIATION_SCSV in offer.suites else set())
    found: dict[str, Any] = {}
    for field, number in (
        ("secure_renegotiation", _RENEGOTIATION),
        ("extended_master_secret", _MASTER_SECRET),
    ):
        if number in offered and (field == "secure_renegotiation" or hello.version > SSL3):
            had = getattr(facts, field)
            found[field] = {**had, version: had.get(version, True) and number in hello.extensions}
    if offer.compression:
        had = facts.compression
        found["compression"] = {**had, version: had.get(version, False) or hello.compression != 0}
    return found


def _parameters(
    known: TlsSuites, version: str, suite: str, offer: ClientHello, flight: Flight
) -> dict[str, Any]:
    """What the key exchange showed beside the suite."""
    assert flight.hello is not None
    found: dict[str, Any] = {}

    def add(field: str, more: dict[str, object]) -> None:
        had = getattr(known, field)
        found[field] = {**had, version: {**had.get(version, {}), **more}}

    group = flight.hello.group if flight.hello.group is not None else flight.group
    if group is not None and group >= 0:
        add("groups", {group_name(group): group_bits(group)})
        found["groups_complete"] = {**known.groups_complete, version: False}
        found["small_curves_asked"] = {**known.small_curves_asked, version: False}
    if flight.dh_bits is not None:
        add("dh_bits", {suite: flight.dh_bits})
    if flight.rsa_bits is not None:
        add("rsa_export_bits", {suite: flight.rsa_bits})
    if _ENCRYPT_THEN_MAC in offer.answerable and "_CBC_" in suite:
        add("encrypt_then_mac", {suite: _ENCRYPT_THEN_MAC in flight.hello.extensions})
    return found


class Handshake:
    """Hears a handshake until the server said all that it says in clear."""

    def __init__(self, ports: TlsPorts, port: int, reached: str = "implicit") -> None:
        self.done = False
        self._ports, self._port, self._reached = ports, port, reached
        self._client = self._server = b""
        self._offer: ClientHello | None = None
        self._flight: Flight | None = None
        self._began = 0.0
        self._answered = 0.0
        self._readings = 0

    @property
    def held(self) -> int:
        """Bytes that are not understood yet."""
        return len(self._client) + len(self._server)

    def accepted(self, seconds: float) -> None:
        """Nothing is known of it yet."""

    def heard(self, by_client: bool, data: bytes, seconds: float) -> None:
        """Read on."""
        try:
            if by_client:
                self._ask(data, seconds)
            elif self._offer is not None:
                self._answer(data, seconds)
        except MalformedReply:
            self._finish()

    def missed(self, by_client: bool) -> None:
        """What was said until then counts."""
        self._finish()

    def closed(self, by_client: bool, seconds: float) -> None:
        """What was said until then counts."""
        self._finish()

    def _ask(self, data: bytes, seconds: float) -> None:
        if self._offer is not None:
            if self._server:
                self._finish()  # a client goes on when the server's flight is over
            return
        self._began = self._began or seconds
        self._client += data
        self._offer = read_client_hello(self._client)
        if self._offer is None and len(self._client) > LIMIT:
            self.done = True

    def _answer(self, data: bytes, seconds: float) -> None:
        self._answered = self._answered or seconds
        self._server += data
        self._readings += 1
        self._flight = read_flight(self._server[:LIMIT])
        over = self._flight.done or self._flight.sealed or len(self._server) > LIMIT
        if over or self._readings >= READINGS:
            self._finish()

    def _finish(self) -> None:
        if self._offer is not None and self._flight is not None and not self.done:
            said: list[Said] = [
                (
                    self._began,
                    "sent",
                    starred(self._client),
                    len(self._client),
                ),  # it may name who is asked for
                (self._answered, "received", self._server, len(self._server)),
            ]
            self._ports.add(self._port, self._reached, self._offer, self._flight, self._began, said)
        self.done = True
