"""Finite-field groups of SSH key exchange: fixed primes with the generator 2, worked out from their published formula.

Source: RFC 2409 section 6.2 (group 2, 1024 bits: diffie-hellman-group1); RFC 3526 sections 3 to 7 (groups 14 to 18).
"""

from __future__ import annotations

from functools import cache

# Bits of a prime to what its formula adds to the leading bits of pi.
ADDED = {1024: 129093, 2048: 124476, 3072: 1690314, 4096: 240904, 6144: 929484, 8192: 4743158}


@cache
def prime(bits: int) -> int:
    """2^n - 2^(n-64) - 1 + 2^64 * ([2^(n-130) pi] + k), as both RFCs print it.

    >>> hex(prime(2048))[2:50]
    'ffffffffffffffffc90fdaa22168c234c4c6628b80dc1cd1'
    """
    return (1 << bits) - (1 << bits - 64) - 1 + (1 << 64) * (_pi(bits - 130) + ADDED[bits])


def _pi(bits: int) -> int:
    """The whole part of 2^bits times pi, by Machin's formula: pi = 16 arctan(1/5) - 4 arctan(1/239)."""
    unit = 1 << (bits + 64)  # 64 bits more than are kept, for what is cut off on the way

    def arctan(inverse: int) -> int:
        term = total = unit // inverse
        n, sign = 3, -1
        while term:
            term //= inverse * inverse
            total += sign * (term // n)
            n, sign = n + 2, -sign
        return total

    return (16 * arctan(5) - 4 * arctan(239)) >> 64
