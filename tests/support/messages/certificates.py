"""Certificates, element by element (RFC 5280 section 4.1), with a signature that is none."""

from __future__ import annotations

from datetime import datetime

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec, ed25519
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from hypothesis import strategies as st

from support.messages.ber import (
    BITS,
    INTEGER,
    OCTETS,
    SEQUENCE,
    SET,
    element,
    elements,
    integers,
    object_id,
    object_ids,
    sequence,
)
from support.messages.parts import joined, mostly, sized, texts

_SIGNATURES = (
    "1.3.101.112",
    "1.2.840.113549.1.1.11",
    "1.2.840.113549.1.1.5",
    "1.2.840.113549.1.1.4",
    "1.2.840.10045.4.3.2",
    "1.2.840.113549.1.1.10",
)
_TIMES = (b"491231235959Z", b"500101000000Z", b"260101000000+0000", b"2601010000Z", b"991399999999Z")
_LONG_TIMES = (b"20260101000000Z", b"99991231235959Z", b"00000101000000Z", b"20260101000000.5Z")
_EXTENSIONS = {
    "basic": "2.5.29.19",
    "usage": "2.5.29.15",
    "names": "2.5.29.17",
    "purposes": "2.5.29.37",
    "limits": "2.5.29.30",
    "issuer key": "2.5.29.35",
}


def _keys() -> tuple[bytes, ...]:
    """SubjectPublicKeyInfo of two real keys, of a small RSA key, and of a kind that nobody knows."""
    made = (
        ed25519.Ed25519PrivateKey.from_private_bytes(bytes(32)),
        ec.derive_private_key(4711, ec.SECP256R1()),
    )
    numbers = element(INTEGER, b"\0" + b"\xc3" * 64) + element(INTEGER, b"\1\0\1")
    rsa = element(SEQUENCE, element(6, object_id("1.2.840.113549.1.1.1")) + b"\5\0")
    unknown = element(SEQUENCE, element(6, object_id("1.3.6.1.4.1.32473.9")))
    return (
        *(key.public_key().public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo) for key in made),
        element(SEQUENCE, rsa + element(BITS, b"\0" + element(SEQUENCE, numbers))),
        element(SEQUENCE, unknown + element(BITS, b"\0key")),
    )


def _names() -> st.SearchStrategy[bytes]:
    """A Name, mostly of printable common names, else in any string type, or in one that is none."""
    plain = st.sampled_from((12, 19)).flatmap(
        lambda tag: elements(tag, st.sampled_from((b"T", b"Ana", b"t-1.devices.example")))
    )
    odd = st.sampled_from((12, 19, 22, 30, 28, 20, 4)).flatmap(
        lambda tag: elements(tag, texts())
    )  # RFC 5280 section 4.1.2.4
    value = st.integers(0, 7).flatmap(lambda n: odd if n == 7 else plain)
    part = sequence(object_ids("2.5.4.3", "2.5.4.10"), value)
    return elements(SEQUENCE, joined(elements(SET, part), 3))


def _time(usual: bytes) -> st.SearchStrategy[bytes]:
    odd = elements(0x17, st.sampled_from(_TIMES) | texts()) | elements(
        0x18, st.sampled_from(_LONG_TIMES) | texts()
    )
    return mostly(element(0x17, usual), odd)


def general_names(constraint: bool = False) -> st.SearchStrategy[bytes]:
    """GeneralNames, or those of a constraint, where an address has a mask."""
    address = st.sampled_from((8, 32) if constraint else (4, 16)).flatmap(
        lambda n: st.binary(min_size=n, max_size=n)
    )
    domain = (
        st.sampled_from(
            (
                b"t.devices.example",
                b".devices.example",
                b"devices.example",
                b"*.example",
                b"",
                b"xn--",
                b"\xc7.example",
            )
        )
        | texts()
    )
    return st.one_of(
        elements(0x82, domain), elements(0x87, address | st.binary(max_size=33)), elements(0x81, texts()), elements(0x86, texts()),
        elements(0xA4, _names()), elements(0x88, st.just(object_id("2.5.4.3"))), elements(0xA0, st.binary(max_size=12)),
    )  # fmt: skip


def alternatives() -> st.SearchStrategy[bytes]:
    """The value of a SubjectAlternativeName."""
    return elements(SEQUENCE, joined(general_names(), 4))


def limits() -> st.SearchStrategy[bytes]:
    """The value of NameConstraints."""
    subtree = sequence(general_names(constraint=True))
    return sequence(
        st.just(b"") | elements(0xA0, joined(subtree, 3)), st.just(b"") | elements(0xA1, joined(subtree, 2))
    )


def _extension() -> st.SearchStrategy[bytes]:
    booleans = elements(1, st.sampled_from((b"\xff", b"\0", b"\1")))
    values = {
        "basic": sequence(st.just(b"") | booleans, st.just(b"") | integers(0, 1)),
        "usage": elements(BITS, st.sampled_from((b"\5\xa0", b"\1\6", b"\0", b"\7\x80"))),
        "names": alternatives(),
        "purposes": elements(SEQUENCE, joined(object_ids("1.3.6.1.5.5.7.3.1", "2.5.29.37.0"), 3)),
        "limits": limits(),
        "issuer key": sequence(elements(0x80, st.binary(max_size=20))),
    }
    return st.sampled_from(tuple(values)).flatmap(
        lambda name: sequence(
            object_ids(_EXTENSIONS[name]), st.just(b"") | booleans, elements(OCTETS, values[name])
        )
    )


@st.composite
def certificate(draw: st.DrawFn) -> bytes:
    """A certificate of any version."""
    algorithm = sequence(object_ids(*_SIGNATURES), st.just(b"") | st.just(b"\5\0"))
    signed = draw(algorithm)
    issuer = draw(_names())
    tbs = draw(mostly(element(0xA0, element(INTEGER, b"\2")), st.sampled_from((b"", element(0xA0, element(INTEGER, b"\0")), element(0xA0, element(INTEGER, b"\7"))))))  # fmt: skip
    tbs += (
        draw(integers(1, 0, -1))
        + signed
        + issuer
        + draw(sequence(_time(b"260101000000Z"), _time(b"360101000000Z")))
    )
    tbs += draw(st.just(issuer) | _names()) + draw(st.sampled_from(KEYS))
    extensions = draw(st.lists(_extension(), max_size=5))
    if extensions:
        tbs += element(0xA3, element(SEQUENCE, b"".join(extensions)))
    again = draw(mostly(signed, algorithm))
    return draw(
        elements(SEQUENCE, st.just(element(SEQUENCE, tbs) + again + element(BITS, b"\0" + bytes(64))))
    )


def names() -> st.SearchStrategy[bytes]:
    """Constraints behind the byte of their length, and names."""
    return st.tuples(sized(1, limits().filter(lambda one: len(one) < 256)), alternatives()).map(b"".join)


def _some() -> tuple[bytes, ...]:
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "T")])
    key = ed25519.Ed25519PrivateKey.from_private_bytes(bytes(32))
    builder = x509.CertificateBuilder(
        name, name, key.public_key(), 1, datetime(2026, 1, 1), datetime(2036, 1, 1)
    )
    return (builder.sign(key, None).public_bytes(Encoding.DER),)


KEYS = _keys()
SOME = _some()
"""A whole certificate that a chain may hold."""
