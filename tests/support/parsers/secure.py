"""Parsers of SSH, TLS and certificates."""

from __future__ import annotations

import copy
import warnings
from contextlib import suppress
from datetime import datetime
from functools import cache
from ipaddress import ip_address, ip_network
from types import SimpleNamespace

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ed25519
from cryptography.hazmat.primitives.serialization import Encoding

from hardenprobe.errors import MalformedReply, Unreachable
from hardenprobe.probes.pki import certificates
from hardenprobe.probes.pki.name_constraints import violation
from hardenprobe.probes.ssh import algorithms, groups, keys
from hardenprobe.probes.ssh import codec as ssh_codec
from hardenprobe.probes.ssh import exchange as ssh_exchange
from hardenprobe.probes.tls import codec as tls_codec
from hardenprobe.probes.tls import exchange as tls_talk
from hardenprobe.probes.tls import flaws, ssl2, tls13
from hardenprobe.probes.tls import openings as tls_openings
from support.messages.ber import BITS, OCTETS, OID, SEQUENCE, element, object_id
from support.parsers.registry import PARSERS, parser
from support.scripted_line import Fed, finish

# ---- SSH

_LISTS = ssh_codec.KexInit(
    key_exchanges=("curve25519-sha256",), host_keys=("ssh-ed25519",), ciphers_to_server=("aes128-ctr",),
    ciphers_to_client=("aes128-ctr",), macs_to_server=("hmac-sha2-256",), macs_to_client=("hmac-sha2-256",),
    compressions_to_server=("none",), compressions_to_client=("none",),
)  # fmt: skip


_SSH = b"SSH-2.0-Console_1 hello\r\n" + ssh_codec.packet(_LISTS.encode())


@parser("ssh", "ssh.codec", seeds=lambda: (_SSH,))
def _ssh(data: bytes) -> None:
    """What a server says before a key is needed, as far as it has come."""
    found = ssh_codec.identification(data)
    if found and (payload := ssh_codec.unpack(data[found[1] :])):
        offer = ssh_codec.kexinit(payload[0])
        assert all(len(n) <= ssh_codec.NAME_LIMIT for n in offer.key_exchanges)


@parser("ssh-line", "ssh.algorithms", seeds=lambda: PARSERS["ssh"].seeds())
def _ssh_line(data: bytes) -> None:
    offer = finish(algorithms.ask_offer(Fed(data, 22, "ssh"), 22))[0].facts
    finish(algorithms.ask_host_key(Fed(data, 22, "ssh"), 22, offer, "ssh-ed25519", "ssh-ed25519"))
    finish(algorithms.ask_group(Fed(data, 22, "ssh"), 22, offer, ssh_exchange.GROUP_EXCHANGES[0]))
    with suppress(MalformedReply):
        ssh_exchange.group_bits(data)


@parser("ssh-kexinit", "ssh.codec", seeds=lambda: (_LISTS.encode(),))
def _kexinit(data: bytes) -> None:
    ssh_codec.kexinit(data)


@parser(
    "ssh-exchange",
    "ssh.exchange",
    seeds=lambda: tuple(
        bytes((method, number)) + b"".join(map(ssh_codec.string, (b"k", bytes(range(1, 33)), b"s")))
        for method in range(len(_exchanges()))
        for number in (ssh_exchange.REPLY, ssh_exchange.GEX_REPLY)
    ),
)
def _exchange(data: bytes) -> None:
    """The first byte picks the method."""
    methods = _exchanges()
    copy.copy(methods[data[0] % len(methods)] if data else methods[0]).take(data[1:])


@cache
def _exchanges() -> tuple[ssh_exchange.KeyExchange, ...]:
    """One of each method, with a small secret: raising a number of 8,192 bits to a large one is no parsing.

    Where the server chooses the group there are two, before and after it came.
    """
    openings = ssh_exchange.Openings(b"SSH-2.0-a", b"SSH-2.0-b", b"\x14", b"\x14")
    made = []
    for method in ssh_exchange.METHODS:
        one = ssh_exchange.KeyExchange(method, openings)
        vars(one)["_secret"] = 3
        made.append(copy.copy(one))
        if method.form == "gex":
            one.take(
                bytes([ssh_exchange.GEX_GROUP]) + ssh_codec.mpint(groups.prime(2048)) + ssh_codec.mpint(2)
            )
            made.append(one)
    return tuple(made)


def _key_seeds() -> tuple[bytes, ...]:
    from hardenprobe.demo_lab.ssh_keys import host_key

    return tuple(
        host_key(kind, "seed", 1024)[0] for kind in ("ssh-ed25519", "ecdsa-sha2-nistp256", "ssh-rsa")
    )


@parser("ssh-keys", "ssh.keys", seeds=_key_seeds)
def _keys(data: bytes) -> None:
    key = keys.public_key(data)
    for algorithm in keys.TYPES[key.key_type]:
        with suppress(MalformedReply):
            keys.proves(key, ssh_codec.string(algorithm.encode()) + ssh_codec.string(data), b"signed")
        with suppress(MalformedReply):
            keys.proves(key, data, b"signed")


# ---- TLS and certificates

_OFFER = tls_codec.ClientHello(
    versions=(0x0304, 0x0303), suites=(0x1301, 0xC02F), random=bytes(32), groups=(29, 23), key_shares=((29, bytes(32)),)
)  # fmt: skip
_HELLO = bytes.fromhex("160303002a020000260303") + bytes(32) + bytes.fromhex("00c02f00")


@parser(
    "tls",
    "tls.codec",
    seeds=lambda: (_HELLO, _HELLO + bytes.fromhex("16030300040e000000"), b"\x15\x03\x03\0\2\2\x28"),
)
def _tls(data: bytes) -> None:
    flight = tls_codec.read_flight(data)
    assert sum(map(len, flight.chain)) <= min(len(data), tls_codec.FLIGHT_LIMIT)
    assert len(flight.chain) <= tls_codec.CHAIN_LIMIT
    if flight.hello:
        tls_codec.broken_rule(_OFFER, flight.hello)


@parser("tls-line", "tls.exchange", seeds=lambda: PARSERS["tls"].seeds())
def _tls_line(data: bytes) -> None:
    for share in (None, 29):
        talker = tls_talk.Talker(line=Fed(data, 443, "tls"), port=443)
        reply = finish(talker.hello((0x0304, 0x0303), (0x1301, 0xC02F), share=share))
        tls_talk.said_text(reply)


@parser("tls-chain", "tls.codec", seeds=lambda: (b"\0\0\4\0\0\1x", b"\0\0\0\6\0\0\1x\0\0"))
def _tls_chain(data: bytes) -> None:
    for thirteen in (False, True):
        with suppress(MalformedReply):
            chain, _ = tls_codec.read_chain(data, thirteen=thirteen)
            assert len(chain) <= tls_codec.CHAIN_LIMIT


@parser("tls-sealed", "tls.tls13", seeds=lambda: (b"\x0b\0\0\x08\0\0\0\4\0\0\1x\x16", b"\2\x28\x15"))
def _sealed(data: bytes) -> None:
    """What is inside of a record, since only the holder of the key can seal one."""
    unsealer = object.__new__(tls13.Unsealer)
    vars(unsealer).update(
        _iv=bytes(12), _sequence=0, _pending=b"", result=tls13.EncryptedPart(chain=[]),
        _cipher=SimpleNamespace(decrypt=lambda nonce, sealed, head: sealed),
    )  # fmt: skip
    unsealer.open([b"\x17\x03\x03\0\0" + data, b"\x17\x03\x03\0\0" + data])
    assert len(unsealer.result.chain) <= tls_codec.CHAIN_LIMIT


@parser(
    "tls-share",
    "tls.tls13",
    seeds=lambda: (bytes(2) + bytes(range(32)), b"\1\0\4" + bytes(64)),
)
def _share(data: bytes) -> None:
    """The first byte picks the group, the second the suite."""
    group = _PICKED[data[0] % len(_PICKED)] if data else 29
    suite = (0x1301, 0x1302, 0x1303, 0x9999)[data[1] % 4] if data[1:] else 0x1301
    hello = tls_codec.ServerHello(
        version=0x0304, suite=suite, compression=0, extensions={}, retry=False, group=group, share=data[2:], raw=data
    )  # fmt: skip
    tls13.Unsealer([b"hello"], hello, _key_share(group))


_PICKED = tls13.SHARED_GROUPS
_key_share = cache(tls13.key_share)


@parser("ssl2", "tls.ssl2", seeds=lambda: (bytes.fromhex("800e0400010002000000030000010080"),))
def _ssl2(data: bytes) -> None:
    ssl2.read_server_hello(data)


@parser("ssl2-line", "tls.exchange", seeds=lambda: PARSERS["ssl2"].seeds())
def _ssl2_line(data: bytes) -> None:
    finish(tls_talk.Talker(line=Fed(data, 443, "tls"), port=443).ssl2())


@parser(
    "tls-openings-line", "tls.openings",
    seeds=lambda: (b"220 a\r\n234 b\r\n", b"220 a\r\n250 b\r\n220 c\r\n", b"HTTP/1.1 101 S\r\n\r\n", bytes.fromhex("300c02010178070a010004000400")),
)  # fmt: skip
def _openings(data: bytes) -> None:
    async def each() -> None:
        for word, opening in tls_openings.OPENINGS.items():
            with suppress(MalformedReply, Unreachable, TimeoutError):
                await opening(await Fed(data, 21, word).connect(21))

    finish(each())


_KEY = ed25519.Ed25519PrivateKey.from_private_bytes(bytes(32))
_AUTHORITY = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "T")])
_ALLOWED = x509.NameConstraints(
    permitted_subtrees=[
        x509.DNSName("devices.example"),
        x509.IPAddress(ip_network("127.0.0.0/8")),
        x509.DirectoryName(_AUTHORITY),
    ],
    excluded_subtrees=None,
)
_ALTERNATIVES = x509.SubjectAlternativeName(
    [x509.DNSName("t.devices.example"), x509.IPAddress(ip_address("127.0.9.9"))]
)


def _signed(*extensions: x509.ExtensionType) -> x509.Certificate:
    """A certificate by our own authority, for itself."""
    begin, end = datetime(2026, 1, 1), datetime(2036, 1, 1)
    builder = x509.CertificateBuilder(_AUTHORITY, _AUTHORITY, _KEY.public_key(), 1, begin, end)
    for extension in extensions:
        builder = builder.add_extension(extension, critical=True)
    return builder.sign(_KEY, None)


_FIELDS = _signed().tbs_certificate_bytes[2:]  # behind tag and length: all but extensions
_ED25519 = bytes.fromhex("300506032b6570")  # RFC 8410 section 3


def _unsigned(extension: x509.ExtensionType, value: bytes) -> x509.Certificate:
    """Such a certificate with any bytes as the value of an extension, and a signature of zeros."""
    named = element(OID, object_id(extension.oid.dotted_string)) + element(OCTETS, value)
    listed = element(0xA3, element(SEQUENCE, element(SEQUENCE, named)))
    signed = element(SEQUENCE, _FIELDS + listed)
    der = element(SEQUENCE, signed + _ED25519 + element(BITS, bytes(65)))
    return x509.load_der_x509_certificate(der)


_NO_ANCHORS = certificates.TrustAnchors()


@parser(
    "certificates",
    "pki.certificates",
    seeds=lambda: (
        _signed(x509.BasicConstraints(ca=True, path_length=1), _ALLOWED, _ALTERNATIVES).public_bytes(
            Encoding.DER
        ),
    ),
)
def _certificates(data: bytes) -> None:
    certificates.describe_chain([data], _NO_ANCHORS)


@parser("certificate-anchors", "pki.certificates", seeds=lambda: PARSERS["certificates"].seeds())
def _anchors(data: bytes) -> None:
    """As its own anchor, twice in the chain."""
    try:
        with warnings.catch_warnings(action="ignore"):
            anchors = certificates.TrustAnchors(certificates=(x509.load_der_x509_certificate(data),))
    except (ValueError, TypeError, KeyError, x509.InvalidVersion):  # nothing that an anchor file could hold
        return
    certificates.describe_chain([data, data], anchors)


@parser(
    "certificate-names",
    "pki.certificates",
    "pki.name_constraints",
    seeds=lambda: (
        bytes((len(_ALLOWED.public_bytes()),)) + _ALLOWED.public_bytes() + _ALTERNATIVES.public_bytes(),
    ),
)
def _names(data: bytes) -> None:
    """Constraints of an authority and names of a leaf, as they are held against each other once the signature is right."""
    constraints, names = data[1 : 1 + data[0]] if data else b"", data[1 + data[0] :] if data else b""
    path = [_unsigned(_ALTERNATIVES, names), _unsigned(_ALLOWED, constraints)]
    if not any(map(certificates.critical_fault, path)):
        violation(path)


@parser(
    "tls-flaws", "tls.flaws", seeds=lambda: (b"\x15\3\3\0\2\2\x14", b"\x18\3\3\0\x23\2\0\x10" + bytes(32))
)
def _flaws(data: bytes) -> None:
    for closed in (True, False):
        seen = flaws.Reaction(flaws.records(data), closed=closed)
        verdicts = (
            flaws.judge_heartbeat(seen),
            flaws.judge_early_ccs(seen, seen),
            flaws.judge_padding([[seen, flaws.Reaction((), closed=True)]]),
        )
        assert {state for state, _ in verdicts} <= {"vulnerable", "sound", "unknown"}
    assert len(flaws.star_heartbeats(data)) == len(data)
