"""What the lab's SSH servers are guilty of, by the names that they offer; no rule set is read for it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator

from hardenprobe.demo_lab.declarations import Virtual
from hardenprobe.demo_lab.service_ssh import GROUP_EXCHANGE, STRICT, Ssh

Found = tuple[str, str | None, int | None, str | None]

PORT = 22  # only there is SSH spoken to

BAD_METHODS = {
    "diffie-hellman-group1-sha1": "group of 1024 bits with SHA-1",
    "diffie-hellman-group-exchange-sha1": "group exchange with SHA-1",
}
BAD_CIPHERS = {
    "arcfour": "RC4",
    "arcfour128": "RC4",
    "3des-cbc": "DES or 3DES",
    "blowfish-cbc": "block of 64 bits",
    "aes128-cbc": "CBC",
    "aes256-cbc": "CBC",
}
BAD_MACS = {"hmac-md5": "MD5", "hmac-md5-96": "MD5", "hmac-sha1-96": "MAC of 96 bits"}


def guilty(server: Ssh) -> Iterator[Found]:
    """What one server gives away to whom it lets in."""
    where = (server.transport, server.port)
    if server.protocol == "1.99":
        yield "ssh-legacy-protocol", *where, None
    if server.port != PORT:
        return
    for check, names, bad in (
        ("ssh-weak-key-exchange", server.key_exchanges, BAD_METHODS),
        ("ssh-weak-cipher", server.ciphers, BAD_CIPHERS),
        ("ssh-weak-mac", server.macs, BAD_MACS),
    ):
        for subject in {bad[name] for name in names if name in bad}:
            yield check, *where, subject
    if server.group_bits < 2048 and any(name.startswith(GROUP_EXCHANGE) for name in server.key_exchanges):
        yield "ssh-weak-group-exchange", *where, None
    if "ssh-dss" in server.host_keys:
        yield "ssh-weak-host-key", *where, "DSA"
    rsa = [name for name in server.host_keys if name in ("ssh-rsa", "rsa-sha2-256", "rsa-sha2-512")]
    if rsa == ["ssh-rsa"]:
        yield "ssh-weak-host-key", *where, "SHA-1 signatures only"
    if rsa and server.rsa_bits < 2048:
        yield "ssh-weak-host-key", *where, "RSA below 2048 bits"
    cbc_then_mac = any(c.endswith("-cbc") for c in server.ciphers) and any("-etm@" in m for m in server.macs)
    if STRICT not in server.key_exchanges and (
        "chacha20-poly1305@openssh.com" in server.ciphers or cbc_then_mac
    ):
        yield "ssh-prefix-truncation", *where, None


def shared(devices: Iterable[Virtual], source: str) -> Iterator[tuple[Virtual, Found]]:
    """Host keys that several devices prove to the same source, with each of these devices."""
    shown: dict[tuple[str, str, int], dict[int, tuple[Virtual, Ssh]]] = defaultdict(dict)
    for device in devices:
        for server in _proving(device, source):
            for key in _keys(device, server):
                shown[key][id(device)] = (device, server)
    for (kind, _, _), holders in shown.items():
        for device, server in holders.values() if len(holders) > 1 else ():
            yield device, ("ssh-shared-host-key", server.transport, server.port, kind)


def _proving(device: Virtual, source: str) -> list[Ssh]:
    return [
        s
        for s in device.services
        if isinstance(s, Ssh) and s.port == PORT and s.proves and device.refusal(s, source) is None
    ]


def _keys(device: Virtual, server: Ssh) -> set[tuple[str, str, int]]:
    """Type, name and, for RSA, bits of each key; RSA keys have one type and three algorithms (RFC 8332 section 3)."""
    kinds = {"ssh-rsa" if name.startswith("rsa-") else name for name in server.host_keys}
    name = server.key or device.listed.asset_tag
    return {(kind, name, server.rsa_bits if kind == "ssh-rsa" else 0) for kind in kinds}
