"""RSA and DSA keys that a name decides, so that a device has the same keys at every start of the lab.

They are public knowledge: no key of the lab protects anything. The library makes none of a seed, so the primes are searched
for here, from a number that the name decides; where the search ends is noted for the lab's own devices, and taken as it is
noted: to search or to test again takes up to a second, in which the lab would answer no request.
"""

from __future__ import annotations

import hashlib
from functools import cache
from itertools import count
from math import gcd

from cryptography.hazmat.primitives.asymmetric import dsa, ec, rsa

E = 65537
_SMALL = tuple(n for n in range(3, 2000, 2) if all(n % m for m in range(3, int(n**0.5) + 1, 2)))
_BASES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37)  # of the Miller-Rabin test, FIPS 186-5 appendix B.3.1

FOUND: dict[str, int] = {
    "DSA q": 8,
    "DSA p": 234,
    "SSH RP-0201 1024 p": 50,
    "SSH RP-0201 1024 q": 60,
    "TLS RP-0202 2048 p": 363,
    "TLS RP-0202 2048 q": 314,
    "TLS RP-0204 2048 p": 664,
    "TLS RP-0204 2048 q": 548,
    "SSH RP-0301 2048 p": 477,
    "SSH RP-0301 2048 q": 295,
    "TLS RP-0306 2048 p": 25,
    "TLS RP-0306 2048 q": 11,
    "SSH RP-0501 2048 p": 444,
    "SSH RP-0501 2048 q": 183,
    "old TLS RP-0801 1024 p": 307,
    "old TLS RP-0801 1024 q": 92,
    "factory authority 2048 p": 838,
    "factory authority 2048 q": 163,
    "old TLS RP-0804 1024 p": 201,
    "old TLS RP-0804 1024 q": 283,
    "TLS RP-0802 2048 p": 107,
    "TLS RP-0802 2048 q": 332,
    "TLS RP-0803 2048 p": 598,
    "TLS RP-0803 2048 q": 601,
}
"""Beginning of a search to the number of steps that it takes."""


@cache
def rsa_named(name: str, bits: int) -> rsa.RSAPrivateKey:
    """The RSA key of a name and a size."""
    p, q = (_prime(f"{name} {bits} {part}", bits // 2) for part in "pq")
    d = pow(E, -1, (p - 1) * (q - 1))
    return rsa.RSAPrivateNumbers(
        p=p,
        q=q,
        d=d,
        dmp1=rsa.rsa_crt_dmp1(d, p),
        dmq1=rsa.rsa_crt_dmq1(d, q),
        iqmp=rsa.rsa_crt_iqmp(p, q),
        public_numbers=rsa.RSAPublicNumbers(E, p * q),
    ).private_key(unsafe_skip_rsa_key_validation=True)


@cache
def dsa_named(name: str) -> dsa.DSAPrivateKey:
    """The DSA key of a name, 1024 bits, in the group that all such keys of the lab share."""
    q, p = _dsa_group()
    g = pow(2, (p - 1) // q, p)
    x = int.from_bytes(hashlib.sha512(f"hardenprobe demo lab DSA key {name}".encode()).digest()) % (q - 1) + 1
    numbers = dsa.DSAPublicNumbers(pow(g, x, p), dsa.DSAParameterNumbers(p, q, g))
    return dsa.DSAPrivateNumbers(x, numbers).private_key()


@cache
def _dsa_group() -> tuple[int, int]:
    """The primes q of 160 and p of 1024 bits, q a divisor of p - 1 (FIPS 186-4 section 4.1)."""
    q = _prime("DSA q", 160)
    label = "DSA p"
    first = (_seed(label, 1024) | 1 << 1023) // (2 * q)
    for step in count(FOUND.get(label, 0)):
        p = 2 * q * (first + step) + 1
        if label in FOUND or (p.bit_length() == 1024 and is_prime(p)):
            return q, p
    raise AssertionError("primes do not end")


def _prime(label: str, bits: int) -> int:
    first = _seed(label, bits) | 3 << (bits - 2) | 1
    for step in count(FOUND.get(label, 0)):
        number = first + 2 * step
        if label in FOUND or (gcd(E, number - 1) == 1 and is_prime(number)):
            return number
    raise AssertionError("primes do not end")


def _seed(label: str, bits: int) -> int:
    made = hashlib.shake_256(f"hardenprobe demo lab prime {label}".encode()).digest(bits // 8)
    return int.from_bytes(made)


def is_prime(number: int) -> bool:
    if any(number % small == 0 for small in _SMALL):
        return False
    odd, twos = number - 1, 0
    while odd % 2 == 0:
        odd, twos = odd // 2, twos + 1
    for base in _BASES:
        value = pow(base, odd, number)
        if value in (1, number - 1):
            continue
        if not any((value := pow(value, 2, number)) == number - 1 for _ in range(twos - 1)):
            return False
    return True


# The order of the P-256 group's generator (SP 800-186 section 3.2.1.3), less one.
_MOST = 0xFFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551 - 1


def named_key(name: str) -> ec.EllipticCurvePrivateKey:
    """The P-256 key of a name, always the same. It is public knowledge: no key of the lab protects anything."""
    seed = hashlib.sha512(f"hardenprobe demo lab key {name}".encode()).digest()
    return ec.derive_private_key(int.from_bytes(seed, "big") % _MOST + 1, ec.SECP256R1())


def rsa_key(name: str) -> rsa.RSAPrivateKey:
    """The RSA key of a name, always the same."""
    return rsa_named(f"TLS {name}", 2048)
