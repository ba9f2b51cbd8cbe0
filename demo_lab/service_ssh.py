"""SSH as far as a client can see it without signing in: identification, KEXINIT and a real key exchange.

Source: RFC 4253 sections 4.2, 6, 7.1 and 8; RFC 5656 section 4; RFC 8731. After the reply everything would be
encrypted, and there the lab hangs up: nobody signs in here.
"""

from __future__ import annotations

import asyncio
import hashlib
import os
import secrets
from dataclasses import dataclass
from typing import Literal

from cryptography.hazmat.primitives.asymmetric import ec, x25519
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from hardenprobe.demo_lab.service import IDLE, Host, Service, Talk
from hardenprobe.demo_lab.ssh_keys import ALGORITHMS, host_key, mpint, string
from hardenprobe.probes.ssh.groups import prime

KEXINIT, NEWKEYS, INIT, REPLY = 20, 21, 30, 31  # RFC 4250 section 4.1.2

# Method to its hash and, for a fixed group, its prime.
METHODS: dict[str, tuple[str, int]] = {
    "curve25519-sha256": ("sha256", 0),
    "ecdh-sha2-nistp256": ("sha256", 0),
    "diffie-hellman-group14-sha256": ("sha256", prime(2048)),
    "diffie-hellman-group14-sha1": ("sha1", prime(2048)),
    "diffie-hellman-group1-sha1": ("sha1", prime(1024)),
}
GROUP_EXCHANGE = "diffie-hellman-group-exchange-"
GEX_GROUP, GEX_REQUEST = 31, 34  # RFC 4419 section 5
STRICT = "kex-strict-s-v00@openssh.com"


@dataclass(frozen=True, kw_only=True)
class Ssh(Service, speaks="ssh"):
    """An SSH server that proves its host keys and admits no one.

    Attributes:
        protocol: Version in the identification; 1.99 stands for protocol 1 as well, which nothing here speaks.
        software: What follows it, with any comments.
        key_exchanges: As offered. A name that METHODS does not hold is offered and cannot be chosen.
        group_bits: Of the group that a group exchange chooses, whatever is asked for; it goes no further than that.
        host_keys: Algorithms, as offered.
        key: Name of the host keys; devices with the same name share them. The asset tag by default.
        proves: False for a server that shows the host keys of its `key` and signs with others.
    """

    port: int = 22
    protocol: Literal["2.0", "1.99"] = "2.0"
    software: str = "Console_4.2"
    key_exchanges: tuple[str, ...] = (
        "curve25519-sha256",
        "diffie-hellman-group14-sha256",
        "ext-info-s",
        STRICT,
    )
    group_bits: int = 2048
    host_keys: tuple[str, ...] = ("ssh-ed25519",)
    rsa_bits: int = 2048
    ciphers: tuple[str, ...] = ("aes128-ctr", "aes256-ctr")
    macs: tuple[str, ...] = ("hmac-sha2-256",)
    compressions: tuple[str, ...] = ("none",)
    key: str | None = None
    proves: bool = True

    def fault(self) -> str | None:
        unknown = [name for name in self.host_keys if name not in ALGORITHMS]
        if unknown or not self.host_keys:
            return f"host_keys must be some of {', '.join(ALGORITHMS)}"
        if not set(METHODS) & set(self.key_exchanges):
            return f"key_exchanges must hold one of {', '.join(METHODS)}"
        return None

    def prepare(self, host: Host) -> None:
        for algorithm in self.host_keys:
            host_key(algorithm, self.key or host.device.listed.asset_tag, self.rsa_bits)

    async def serve(self, talk: Talk) -> None:
        ours = f"SSH-{self.protocol}-{self.software}".encode()
        await talk.say(ours + b"\r\n")
        theirs = await talk.line()
        if theirs is None or not theirs.startswith(b"SSH-2.0-"):
            return
        opening = self._kexinit()
        await talk.say(_packet(opening))
        answer = await _payload(talk)
        if answer[:1] != bytes([KEXINIT]):
            return
        wanted = _lists(answer)
        if wanted[0][0] in self.key_exchanges and wanted[0][0].startswith(GROUP_EXCHANGE):
            if (await _payload(talk))[:1] == bytes([GEX_REQUEST]):
                await talk.say(_packet(bytes([GEX_GROUP]) + mpint(prime(self.group_bits)) + mpint(2)))
                await _payload(talk)
            return
        method = next((m for m in wanted[0] if m in self.key_exchanges and m in METHODS), None)
        algorithm = next((a for a in wanted[1] if a in self.host_keys), None)
        first = await _payload(talk)
        if method is None or algorithm is None or first[:1] != bytes([INIT]):
            return
        openings = b"".join(map(string, (theirs, ours, answer, opening)))
        await talk.say(_packet(self._reply(talk, method, algorithm, openings, first[5:])))
        await talk.say(_packet(bytes([NEWKEYS])))
        await _payload(talk)

    def _kexinit(self) -> bytes:
        lists = (
            self.key_exchanges,
            self.host_keys,
            *(self.ciphers, self.ciphers, self.macs, self.macs, self.compressions, self.compressions, (), ()),
        )
        return (
            bytes([KEXINIT])
            + os.urandom(16)
            + b"".join(string(",".join(names).encode()) for names in lists)
            + bytes(5)
        )

    def _reply(self, talk: Talk, method: str, algorithm: str, openings: bytes, theirs: bytes) -> bytes:
        ours, shared = _agree(method, theirs)
        name = self.key or talk.host.device.listed.asset_tag
        blob, sign = host_key(algorithm, name, self.rsa_bits)
        if not self.proves:
            _, sign = host_key(algorithm, f"not the key of {name}", self.rsa_bits)
        hashed = openings + string(blob) + string(theirs) + string(ours) + mpint(shared)
        signature = sign(hashlib.new(METHODS[method][0], hashed).digest())
        return bytes([REPLY]) + string(blob) + string(ours) + string(signature)


def _agree(method: str, theirs: bytes) -> tuple[bytes, int]:
    """Our public value, without its length, and the shared secret.

    Raises:
        EOFError: Theirs cannot be; the connection ends.
    """
    modulus = METHODS[method][1]
    try:
        if modulus:
            secret = secrets.randbits(256)
            shared = pow(int.from_bytes(theirs, "big"), secret, modulus)
            return mpint(pow(2, secret, modulus))[4:], shared
        if method == "curve25519-sha256":
            key = x25519.X25519PrivateKey.generate()
            raw = key.exchange(x25519.X25519PublicKey.from_public_bytes(theirs))
            return key.public_key().public_bytes_raw(), int.from_bytes(raw, "big")
        own = ec.generate_private_key(ec.SECP256R1())
        point = ec.EllipticCurvePublicKey.from_encoded_point(own.curve, theirs)
        public = own.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
        return public, int.from_bytes(own.exchange(ec.ECDH(), point), "big")
    except ValueError as exc:
        raise EOFError(str(exc)) from exc


def _packet(payload: bytes) -> bytes:
    padding = 4 + -(len(payload) + 9) % 8
    return (len(payload) + padding + 1).to_bytes(4, "big") + bytes([padding]) + payload + os.urandom(padding)


async def _payload(talk: Talk) -> bytes:
    """The next packet's payload.

    Raises:
        EOFError: The stream ends, says nothing for too long, or holds no packet.
    """
    try:
        async with asyncio.timeout(IDLE):
            length = int.from_bytes(await talk.reader.readexactly(4), "big")
            if not 6 <= length <= 35000:
                raise EOFError(f"a packet of {length} bytes")
            body = await talk.reader.readexactly(length)
    except TimeoutError as exc:
        raise EOFError("silence") from exc
    return body[1 : length - body[0]]


def _lists(kexinit: bytes) -> list[list[str]]:
    """The first two name-lists of a client's KEXINIT."""
    found, at = [], 17
    for _ in range(2):
        end = at + 4 + int.from_bytes(kexinit[at : at + 4], "big")
        found.append(kexinit[at + 4 : end].decode("ascii", "replace").split(","))
        at = end
    return found
