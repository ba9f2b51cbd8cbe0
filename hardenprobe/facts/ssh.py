"""What can be seen of SSH before anybody signs in: the identification, the algorithms offered, and the host keys."""

from __future__ import annotations

from dataclasses import dataclass

from hardenprobe.model.kinds import facts


@facts("ssh-identification")
@dataclass(frozen=True, kw_only=True)
class SshIdentification:
    """The identification string of a server (RFC 4253 section 4.2).

    Attributes:
        protocol: Protocol version as sent: "2.0", "1.99" (both), "1.5" and so on.
        software: Software version, device text.
        comments: What follows it, device text.
    """

    protocol: str
    software: str
    comments: str = ""


@facts("ssh-offer")
@dataclass(frozen=True, kw_only=True)
class SshOffer:
    """The name-lists of a server's KEXINIT (RFC 4253 section 7.1), each in its order of preference.

    Attributes:
        speaks: An identification came, so the port speaks SSH.
        fault: Why there are no lists: "closed", "silent", "protocol 1 only", "not SSH", or what cannot be read.
    """

    speaks: bool
    key_exchanges: tuple[str, ...] = ()
    host_keys: tuple[str, ...] = ()
    ciphers_to_server: tuple[str, ...] = ()
    ciphers_to_client: tuple[str, ...] = ()
    macs_to_server: tuple[str, ...] = ()
    macs_to_client: tuple[str, ...] = ()
    compressions_to_server: tuple[str, ...] = ()
    compressions_to_client: tuple[str, ...] = ()
    fault: str | None = None

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return self.speaks

    @property
    def denies(self) -> bool:
        """If the port had greeted as SSH, on this connection it did not."""
        return not self.speaks

    @property
    def ciphers(self) -> tuple[str, ...]:
        """Those of either direction."""
        return tuple(dict.fromkeys((*self.ciphers_to_server, *self.ciphers_to_client)))

    @property
    def macs(self) -> tuple[str, ...]:
        """Those of either direction."""
        return tuple(dict.fromkeys((*self.macs_to_server, *self.macs_to_client)))


@facts("ssh-host-key")
@dataclass(frozen=True, kw_only=True)
class SshHostKey:
    """One key exchange for one type of host key; it ended before any service or user was asked for.

    Attributes:
        key_type: The type that was asked for: ssh-ed25519, ssh-rsa, ssh-dss, ecdsa-sha2-nistp256 and so on.
        asked: Host key algorithm that was negotiated.
        method: Key exchange method that was negotiated, "" where there is none in common.
        signature: Signature algorithm that the server used, "" where none came.
        bits: Size of the key, None where none came.
        sha256: Digest of the key as sent, hex.
        proven: The server's signature over the exchange hash is right, so it holds the private key.
        fault: Why the key is not proven: "closed", "silent", or what is wrong.
    """

    key_type: str
    asked: str
    method: str
    signature: str = ""
    bits: int | None = None
    sha256: str | None = None
    proven: bool = False
    fault: str | None = None

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return self.sha256 is not None


@facts("ssh-group")
@dataclass(frozen=True, kw_only=True)
class SshGroup:
    """The group that a server chose when it was asked for a small one (RFC 4419 section 3); the exchange ended there.

    Attributes:
        method: Group exchange method that was negotiated.
        asked: Bits that were preferred, and the least that were taken.
        bits: Size of the group's modulus, None where none came.
        fault: Why none came: "closed", "silent", or what is wrong.
    """

    method: str
    asked: int
    bits: int | None = None
    fault: str | None = None
