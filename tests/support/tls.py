"""Builders of TLS facts and of what a judge sees, for tests of checks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from hardenprobe.checking.check import Check, DeviceView, Fleet, SharedValue
from hardenprobe.checks import (
    tls_no_forward_secrecy,
    tls_weak_cipher,
    tls_weak_key,
    tls_weak_parameters,
    tls_weak_signature,
)
from hardenprobe.facts import (
    VERSIONS,
    Certificate,
    Chain,
    DeclaredDevice,
    Path,
    TcpPort,
    TlsFlaws,
    TlsPort,
    TlsSecondOpinion,
    TlsSuites,
)
from hardenprobe.model import Address, Clock, Device, Endpoint, Observation, State, Vantage
from hardenprobe.model.transcript import observation

NOW = "2026-11-25T12:00:00Z"
ADDRESS = "127.0.0.1"


def certificate(**changes: Any) -> Certificate:
    """A sound leaf certificate of an RSA key, in the middle of its life."""
    plain = Certificate(
        subject="CN=printer-1.office.test",
        issuer="CN=Office Authority",
        names=("printer-1.office.test",),
        not_before="2026-06-01T00:00:00Z",
        not_after="2027-06-01T00:00:00Z",
        serial="1f",
        key_type="RSA",
        key_bits=2048,
        curve=None,
        signature_hash="sha256",
        spki_sha256="aa" * 32,
        self_signed=False,
        sha256="bb" * 32,
        der="MAA=",
        authority=False,
    )
    return replace(plain, **changes)


def chain(
    label: str = "", *, trusted: bool = True, hashes: tuple[str, ...] = ("sha256",), **leaf: Any
) -> Chain:
    """A chain of one leaf."""
    path = (
        Path(trusted=True, anchor="CN=Office Authority", error=None, hashes=hashes, issuers=("RSA 4096",))
        if trusted
        else Path(trusted=False, anchor=None, error="no path to a trust anchor")
    )
    return Chain(label=label, certificates=(certificate(**leaf),), path=path)


def with_issuer(below: Chain, *issuers: Certificate) -> Chain:
    """A chain with issuers that are sent along, each below the anchor of a trusted path."""
    path = below.path
    if path.trusted:
        more = ("RSA 2048",) * len(issuers)
        path = replace(
            path, issuers=(*more, *path.issuers), hashes=(*path.hashes, *("sha256",) * len(issuers))
        )
    return replace(below, certificates=(*below.certificates, *issuers), path=path)


def tls_port(*accepted: str, unknown: Mapping[str, str] | None = None, **changes: Any) -> TlsPort:
    """A port that accepts these versions and refuses the rest.

    Args:
        unknown: Version to the reason why it could not be told.
    """
    states = {v: "accepted" if v in accepted else "refused" for v in VERSIONS}
    states |= dict.fromkeys(unknown or {}, "unknown")
    old = {v: True for v in accepted if v not in ("SSL 2.0", "TLS 1.3")}
    plain = TlsPort(
        speaks=True,
        versions=states,
        unknown_why=dict(unknown or {}),
        chains=(chain(),),
        secure_renegotiation=old,
        compression=dict.fromkeys(old, False),
    )
    return replace(plain, **changes)


def tls_suites(suites: Mapping[str, tuple[str, ...]], **changes: Any) -> TlsSuites:
    """What a port accepts; every curve was asked for."""
    done = {v: True for v in suites if v != "SSL 2.0"}
    plain = TlsSuites(
        suites=dict(suites),
        groups_complete=done,
        small_curves_asked=done,
        groups={v: {"x25519": 253} for v in done},
    )
    return replace(plain, **changes)


def seen_tls(
    *facts: TlsPort | TlsSuites | TlsFlaws | TlsSecondOpinion,
    device: str = "device-1",
    names: tuple[str, ...] = (),
    pinned: str | None = None,
    clock: bool = True,
    ports: Mapping[int, State] | None = None,
    fleet: tuple[SharedValue, ...] | None = None,
) -> DeviceView:
    """What a judge sees of a device with these facts at port 443.

    Args:
        ports: TCP ports that were looked at, with what each did.
        fleet: Make it the only member of its fleet, of which this is kept.
    """
    address = Address(address=ADDRESS, family="ipv4")
    observations: list[Observation[Any]] = [
        observation(TcpPort(state=state), _endpoint(port, None), "here", NOW)
        for port, state in (ports or {443: State.ACCEPTING}).items()
    ]
    listed = DeclaredDevice(asset_tag=device, device_kind="printer", names=names, pinned_key=pinned)
    observations.append(observation(listed, None, "here", NOW))
    observations += [
        observation(f, _endpoint(443, "tls" if getattr(f, "speaks", True) else None), "here", NOW)
        for f in facts
    ]
    seen = DeviceView(
        device=Device(id=device, addresses=(address,), names=names),
        vantage=Vantage(name="here"),
        observations=tuple(observations),
        clock=Clock(now=NOW, proven=clock, how="compared" if clock else "not asked"),
    )
    if fleet is not None:
        seen.fleet = Fleet((seen,), fleet)
    return seen


RULE_SETS = ("rules-tls-rfc9325", "rules-tls-sp800-52r2")


def verdicts(*facts: TlsPort | TlsSuites) -> set[tuple[str | None, ...]]:
    """What the checks of suites, parameters and certificates say of a port, by every rule-set; names of suites left out."""
    seen = seen_tls(*facts)
    found: set[tuple[str | None, ...]] = set()
    for rules in RULE_SETS:
        for module in (
            tls_weak_cipher,
            tls_no_forward_secrecy,
            tls_weak_parameters,
            tls_weak_key,
            tls_weak_signature,
        ):
            strict = {"fail_on": "should-not"} if module is tls_weak_cipher else {}
            check: Check[Any] = module.CHECK
            for said in check.judge(seen, check.settings(rules=rules, **strict)):
                found.add((rules, check.id, str(said.word), said.subject, said.vector, said.reason))
    return found


def _endpoint(port: int, protocol: str | None) -> Endpoint:
    return Endpoint(address=ADDRESS, transport="tcp", port=port, protocol=protocol)
