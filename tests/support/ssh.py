"""Builders of SSH facts, for tests of checks."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hardenprobe.facts import SshHostKey, SshOffer
from hardenprobe.model import Observation
from hardenprobe.testing import at

STRICT = "kex-strict-s-v00@openssh.com"


def ssh_offer(port: int = 22, address: str = "127.0.9.10", **changes: Any) -> Observation[SshOffer]:
    """What a sound server offers.

    Args:
        changes: Fields of `SshOffer`; `ciphers` and `macs` stand for both directions.
    """
    for kind in ("ciphers", "macs"):
        if kind in changes:
            both = changes.pop(kind)
            changes |= {f"{kind}_to_server": both, f"{kind}_to_client": both}
    plain = SshOffer(
        speaks=True,
        key_exchanges=("curve25519-sha256", "ext-info-s", STRICT),
        host_keys=("ssh-ed25519",),
        ciphers_to_server=("aes128-ctr",),
        ciphers_to_client=("aes128-ctr",),
        macs_to_server=("hmac-sha2-256",),
        macs_to_client=("hmac-sha2-256",),
        compressions_to_server=("none",),
        compressions_to_client=("none",),
    )
    facts = replace(plain, **changes)
    return at(port, facts, protocol="ssh" if facts.speaks else None, address=address)


def ssh_host_key(
    key_type: str = "ssh-ed25519", sha256: str | None = "aa" * 32, address: str = "127.0.9.10", **changes: Any
) -> Observation[SshHostKey]:
    """A proven host key.

    Args:
        changes: Fields of `SshHostKey`.
    """
    plain = SshHostKey(
        key_type=key_type,
        asked=key_type,
        method="curve25519-sha256",
        signature=key_type,
        bits=256,
        sha256=sha256,
        proven=True,
    )
    return at(22, replace(plain, **changes), protocol="ssh", address=address)
