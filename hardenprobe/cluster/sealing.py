"""Secrets for one worker: encrypted to its key, so that neither the scheduler nor another worker can read them.

X25519 (RFC 7748), HKDF with SHA-256 (RFC 5869) and ChaCha20-Poly1305 (RFC 8439). The sender's key is made anew for every
message, so the nonce may be constant.
"""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Any

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey, X25519PublicKey
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from hardenprobe.devices.credentials import Community, Secret, Secrets, User

KEY_BYTES = 32
_NONCE = bytes(12)


def seal(secrets: Secrets, worker: bytes, job: str) -> bytes:
    """Encrypt secrets for a worker.

    Args:
        worker: Its public key.
        job: The only job that they can be opened for.

    Raises:
        ValueError: The key is none.
    """
    mine = X25519PrivateKey.generate()
    public = mine.public_key().public_bytes_raw()
    shared = mine.exchange(X25519PublicKey.from_public_bytes(worker))
    return public + _cipher(shared, public + worker).encrypt(_NONCE, _written(secrets), job.encode())


def unseal(sealed: bytes, key: X25519PrivateKey, job: str) -> Secrets:
    """Decrypt what was sealed for our key and a job.

    Raises:
        ValueError: It was sealed for somebody else, for another job, or was changed on the way.
    """
    theirs, ours = sealed[:KEY_BYTES], key.public_key().public_bytes_raw()
    try:
        shared = key.exchange(X25519PublicKey.from_public_bytes(theirs))
        text = _cipher(shared, theirs + ours).decrypt(_NONCE, sealed[KEY_BYTES:], job.encode())
    except InvalidTag:
        raise ValueError("the secrets were sealed for another worker or another job") from None
    return _read(text)


def _cipher(shared: bytes, keys: bytes) -> ChaCha20Poly1305:
    derived = HKDF(SHA256(), KEY_BYTES, salt=None, info=b"hardenprobe secrets" + keys).derive(shared)
    return ChaCha20Poly1305(derived)


def _written(secrets: Secrets) -> bytes:
    def plain(one: User | Community) -> dict[str, Any]:
        values = {field.name: getattr(one, field.name) for field in fields(one)}
        return {k: v.reveal().decode() if isinstance(v, Secret) else v for k, v in values.items()}

    users, communities = map(plain, secrets.users), map(plain, secrets.communities)
    return json.dumps([list(users), list(communities), secrets.stopped]).encode()


def _read(text: bytes) -> Secrets:
    users, communities, stopped = json.loads(text)
    for user in users:
        for key in ("auth_password", "priv_password"):
            user[key] = Secret(user[key]) if user[key] is not None else None
    return Secrets(
        users=tuple(User(**user) for user in users),
        communities=tuple(
            Community(label=one["label"], community=Secret(one["community"])) for one in communities
        ),
        stopped=stopped,
    )
