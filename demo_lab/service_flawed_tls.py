"""TLS with flaws of years ago put before a library of today, which no longer has them.

Sources: RFC 6520 (heartbeat), RFC 5246 section 7.1 (ChangeCipherSpec) and 7.4.7.1 (RSA key exchange), RFC 8017 section
7.2 (PKCS #1 padding).
"""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from typing import ClassVar, Literal

from hardenprobe.demo_lab.service import Service, Talk

CHANGE_CIPHER, ALERT, HANDSHAKE, HEARTBEAT = 20, 21, 22, 24  # RFC 5246 section 6.2.1, RFC 6520 section 6
CLIENT_KEY_EXCHANGE = 16
BAD_RECORD_MAC, HANDSHAKE_FAILURE = 20, 40
LEAK = (
    b"\x02\x00\x10" + b"\x01" * 16 + bytes(16)
)  # a response with 16 octets that nobody sent, and its padding


@dataclass(frozen=True, kw_only=True)
class FlawedTls(Service, speaks="flawed-tls"):
    """A port that has the named flaws and no other. It hangs up where it meets what it does not like, and after a handshake.

    Attributes:
        flaws: heartbleed answers a heartbeat with more than was sent; early-ccs takes a ChangeCipherSpec for good before
            there are keys; padding-oracle tells a badly padded RSA key exchange from a good one.
    """

    own_tls: ClassVar[bool] = True

    port: int = 443
    flaws: tuple[Literal["heartbleed", "early-ccs", "padding-oracle"], ...] = ()

    async def serve(self, talk: Talk) -> None:
        context = talk.host.context
        assert context is not None
        incoming, outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
        tls = context.wrap_bio(incoming, outgoing, server_side=True)
        keyed = False
        while True:
            head = await talk.reader.readexactly(5)
            body = await talk.reader.readexactly(int.from_bytes(head[3:5]))
            if head[0] == HEARTBEAT:
                if "heartbleed" in self.flaws:
                    await talk.say(_record(HEARTBEAT, LEAK))
                return
            if head[0] == CHANGE_CIPHER and not keyed:
                if "early-ccs" in self.flaws:  # what comes next is decrypted, with keys that do not exist
                    await talk.reader.readexactly(5)
                    await talk.say(_record(ALERT, bytes((2, BAD_RECORD_MAC))))
                return
            if head[0] == HANDSHAKE and not keyed and body[:1] == bytes((CLIENT_KEY_EXCHANGE,)):
                keyed = True
                if "padding-oracle" in self.flaws and not _well_padded(talk, body):
                    await talk.say(_record(ALERT, bytes((2, HANDSHAKE_FAILURE))))
                    return
            incoming.write(head + body)
            try:
                tls.do_handshake()
            except ssl.SSLWantReadError:
                await talk.say(outgoing.read())
            except ssl.SSLError:
                await talk.say(outgoing.read())
                return
            else:
                await talk.say(outgoing.read())
                return


def _record(kind: int, data: bytes) -> bytes:
    return bytes((kind, 3, 3)) + len(data).to_bytes(2) + data


def _well_padded(talk: Talk, message: bytes) -> bool:
    """Whether the premaster secret of an RSA key exchange is padded as PKCS #1 says; any other key exchange is well."""
    from hardenprobe.demo_lab.named_keys import rsa_key

    key = rsa_key(talk.host.device.listed.asset_tag)
    size = key.key_size // 8
    if len(message) != 4 + 2 + size:
        return True
    numbers = key.private_numbers()
    padded = pow(int.from_bytes(message[6:]), numbers.d, numbers.public_numbers.n).to_bytes(size)
    return padded[:2] == b"\x00\x02" and 0 in padded[10:]
