"""tls-chain-defects: each branch of its judge."""

from __future__ import annotations

import pytest
from support.tls import certificate, chain, seen_tls, tls_port, with_issuer

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.tls_chain_defects import ANY_PURPOSE, CHECK, SERVER_AUTH
from hardenprobe.facts import TlsPort
from hardenprobe.model import State

CLIENT_AUTH = "1.3.6.1.5.5.7.3.2"


@pytest.mark.parametrize(
    ("leaf", "issuer", "told"),
    [
        ({}, {}, [("pass", None)]),
        ({"purposes": (SERVER_AUTH, CLIENT_AUTH)}, {}, [("pass", None)]),
        ({"purposes": (ANY_PURPOSE,)}, {}, [("pass", None)]),
        ({"purposes": (CLIENT_AUTH,)}, {}, [("fail", "not for servers")]),
        ({"purposes": ()}, {}, [("fail", "not for servers")]),
        ({}, {"authority": False}, [("fail", "issuer 1")]),
        (
            {"purposes": (CLIENT_AUTH,)},
            {"authority": False},
            [("fail", "not for servers"), ("fail", "issuer 1")],
        ),
        ({}, {"authority": False, "subject": "CN=Elsewhere"}, [("pass", None)]),
        ({}, {"authority": None}, [("unknown", None)]),
        ({"authority": None}, {}, [("unknown", None)]),
    ],
    ids=[
        "any purpose", "among others", "any purpose by name", "for clients alone", "for nothing", "no authority",
        "both", "trap: it issued nothing", "issuer not read", "leaf not read",
    ],
)  # fmt: skip
def test_branch(leaf: dict[str, object], issuer: dict[str, object], told: list[object]) -> None:
    one = chain(issuer="CN=Office Issuing", **leaf)
    above = certificate(**({"subject": "CN=Office Issuing", "authority": True} | issuer))
    seen = seen_tls(tls_port("TLS 1.2", chains=(with_issuer(one, above),)))

    assert [(str(o.word), o.subject) for o in CHECK.judge(seen, NoSettings())] == told


@pytest.mark.parametrize(
    ("facts", "ports", "word"),
    [
        ((), {443: State.REFUSING}, "notapplicable"),
        ((), {443: State.SILENT}, "unknown"),
        ((TlsPort(speaks=False, fault="closed"),), {443: State.ACCEPTING}, "unknown"),
        ((tls_port("TLS 1.2", chains=()),), {443: State.ACCEPTING}, "unknown"),
    ],
    ids=["refused", "silent", "closes at a hello", "no certificate"],
)
def test_without_a_certificate(facts: tuple[TlsPort, ...], ports: dict[int, State], word: str) -> None:
    assert [str(o.word) for o in CHECK.judge(seen_tls(*facts, ports=ports), NoSettings())] == [word]
