"""Three flaws of years ago, each asked for with the smallest message that shows it. Reach: strain.

Verdicts are ours and rest on a transcript: "vulnerable", "sound" or "unknown". Bytes to values above, one question at a
connection below. What a device leaks is starred before it is kept.

Source: RFC 6520 section 4 (a heartbeat whose payload is longer than its message is discarded; CVE-2014-0160), RFC 5246
section 7.1 (ChangeCipherSpec follows the key exchange; CVE-2014-0224) and section 7.4.7.1 (a badly padded secret is
treated like any other).
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric.rsa import RSAPublicKey

from hardenprobe.errors import MalformedReply, Unreachable
from hardenprobe.facts import TlsPort
from hardenprobe.network.stream import Stream
from hardenprobe.probes.tls.codec import (
    ALERT,
    CHANGE_CIPHER_SPEC,
    HANDSHAKE,
    TLS12,
    VERSION_NAMES,
    ClientHello,
    Flight,
    broken_rule,
    read_flight,
)
from hardenprobe.probes.tls.exchange import Reply, Talker
from hardenprobe.probes.tls.suites import (
    GROUPS,
    RENEGOTIATION_SCSV,
    is_tls13,
    strongest_first,
    suite_name,
)

HEARTBEAT = 24  # RFC 6520 section 6
OVER_READ = 16  # octets that the request claims and does not hold; RFC 6520 section 4 asks as many of padding
UNEXPECTED, DECRYPTION = (
    (10,),
    (20, 21),
)  # RFC 5246 section 7.2.2: unexpected_message; bad_record_mac, decryption_failed
SECRETS = 5
REFUSED, PICKED = "the hello is refused", "picked"
ROUNDS = 2  # of all the secrets, where the first round tells one from another

Verdict = tuple[str, str]  # "vulnerable", "sound" or "unknown"; and how it was told


@dataclass(frozen=True)
class Reaction:
    """What came after something was said.

    Attributes:
        records: Type and body of each whole record.
        closed: The line was closed after them; else nothing more came in time.
    """

    records: tuple[tuple[int, bytes], ...]
    closed: bool

    @property
    def alert(self) -> int | None:
        """Number of the first alert in clear."""
        return next((body[1] for kind, body in self.records if kind == ALERT and len(body) == 2), None)

    @property
    def shape(self) -> tuple[Any, ...]:
        """What one answer has in common with another that tells nothing else."""
        kinds = tuple(
            (kind, body[:2] if kind == ALERT and len(body) == 2 else len(body)) for kind, body in self.records
        )
        return (*kinds, self.closed)


def records(data: bytes) -> tuple[tuple[int, bytes], ...]:
    """Whole records (RFC 5246 section 6.2.1); what is cut off is left out.

    >>> records(bytes.fromhex("15030300020228" "18"))
    ((21, b'\\x02('),)
    """
    found = []
    at = 0
    while at + 5 <= len(data):
        end = at + 5 + int.from_bytes(data[at + 3 : at + 5])
        if end > len(data):
            break
        found.append((data[at], data[at + 5 : end]))
        at = end
    return tuple(found)


def record(kind: int, version: int, body: bytes) -> bytes:
    return bytes((kind,)) + version.to_bytes(2) + len(body).to_bytes(2) + body


def star_heartbeats(received: bytes) -> bytes:
    """Star what heartbeat records hold: it may be the device's memory."""
    kept = bytearray(received)
    at = 0
    while at + 5 <= len(kept):
        end = at + 5 + int.from_bytes(kept[at + 3 : at + 5])
        if kept[at] == HEARTBEAT:
            kept[at + 5 : end] = b"*" * (min(end, len(kept)) - at - 5)
        at = end
    return bytes(kept)


def judge_heartbeat(seen: Reaction) -> Verdict:
    """Any heartbeat that comes back holds more than was sent."""
    answer = next((body for kind, body in seen.records if kind == HEARTBEAT), None)
    if answer is not None:
        return "vulnerable", f"a response of {len(answer)} bytes to a request without payload"
    if seen.alert is not None:
        return "sound", f"refused with alert {seen.alert}"
    return (
        ("sound", "closed the connection")
        if seen.closed
        else ("unknown", "no answer, and the line stays open")
    )


def judge_early_ccs(first: Reaction, second: Reaction | None = None) -> Verdict:
    """A ChangeCipherSpec that is refused at once is harmless; one after which records are decrypted is not.

    Args:
        second: What followed a record in clear, None where the first answer said enough.
    """
    if first.alert is not None:
        return "sound", f"refused with alert {first.alert}"
    if first.closed:
        return "sound", "closed the connection"
    if second is not None and second.alert in DECRYPTION:
        return "vulnerable", f"taken, and what followed was decrypted: alert {second.alert}"
    if second is not None and second.alert in UNEXPECTED:
        return "sound", f"refused late with alert {second.alert}"
    return "unknown", "neither refused nor followed by decryption"


def judge_padding(rounds: Sequence[Sequence[Reaction]]) -> Verdict:
    """Whether the answers to differently padded secrets differ, and do so each time.

    Args:
        rounds: Of each round the answer to every secret, in the same order.
    """
    shapes = [tuple(seen.shape for seen in answers) for answers in rounds]
    if any(not seen.records and not seen.closed for answers in rounds for seen in answers):
        return "unknown", "a secret drew no answer"
    if len(set(shapes[0])) == 1:
        return "sound", "every secret is answered alike"
    if len(set(shapes)) > 1:
        return "unknown", "the answers differ from round to round"
    return "vulnerable", f"{len(set(shapes[0]))} different answers to {len(shapes[0])} secrets"


def padded_secrets(size: int, version: int) -> tuple[bytes, ...]:
    """A premaster secret padded as PKCS #1 wants it, and four that are not (RFC 8017 section 7.2, RFC 5246 section 7.4.7.1)."""
    filler = bytes(1 + byte % 255 for byte in os.urandom(size))  # no zeros
    secret = version.to_bytes(2) + filler[:46]
    padding = filler[: size - 51]
    return (
        b"\0\2" + padding + b"\0" + secret,
        b"\x41\x17" + padding + b"\0" + secret,  # another block type
        b"\0\2" + padding + b"\x11" + secret[:2] + filler[:46],  # nothing ends the padding
        b"\0\2" + padding[:4] + b"\0" + padding[5:] + b"\x11" + secret[:2] + filler[:46],  # ended too soon
        b"\0\2" + padding + b"\0" + b"\2\2" + secret[2:],  # a version that is none
    )


async def ask_flaws(talker: Talker, port: TlsPort, wanted: Sequence[str]) -> dict[str, Verdict]:
    """Ask one port for flaws, one connection each, and five or ten for the padding.

    Args:
        wanted: Of "heartbleed", "early_ccs" and "padding_oracle".

    Raises:
        CeilingReached, ScopeRefused: As DeviceLink raises them.
    """
    version = max(
        (
            v
            for v, name in VERSION_NAMES.items()
            if 0x0300 <= v <= TLS12 and port.versions.get(name) == "accepted"
        ),
        default=None,
    )
    if version is None:
        known = all(
            port.versions.get(name) == "refused" for name in ("SSL 3.0", "TLS 1.0", "TLS 1.1", "TLS 1.2")
        )
        verdict = ("sound", "no version that has it") if known else ("unknown", "no version to ask in")
        return dict.fromkeys(wanted, verdict)
    found: dict[str, Verdict] = {}
    if "heartbleed" in wanted:
        found["heartbleed"] = await _heartbeat(talker, version)
    if "early_ccs" in wanted:
        found["early_ccs"] = await _early_ccs(talker, version)
    if "padding_oracle" in wanted:
        found["padding_oracle"] = await _padding(talker, version)
    return found


def _offer(version: int, suites: Sequence[int]) -> ClientHello:
    return ClientHello(
        versions=(version,),
        suites=(*suites, RENEGOTIATION_SCSV),
        random=os.urandom(32),
        groups=tuple(GROUPS),
        heartbeat=True,
    )


def _suites(only_rsa: bool) -> list[int]:
    usual = [s for s in strongest_first() if not is_tls13(s)]
    return [s for s in usual if suite_name(s).startswith("TLS_RSA_WITH_")] if only_rsa else usual[:80]


async def _heartbeat(talker: Talker, version: int) -> Verdict:
    request = record(
        HEARTBEAT, version, b"\x01" + OVER_READ.to_bytes(2)
    )  # a payload is claimed, and there is none

    async def say(stream: Stream, _: Flight) -> list[Reaction]:
        await stream.send(request, talker.word)
        return [await _after(stream)]

    answers, why = await _after_flight(talker, _offer(version, _suites(False)), say)
    return judge_heartbeat(answers[0]) if answers else ("unknown", why)


async def _early_ccs(talker: Talker, version: int) -> Verdict:
    async def say(stream: Stream, _: Flight) -> list[Reaction]:
        await stream.send(record(CHANGE_CIPHER_SPEC, version, b"\x01"), talker.word)
        first = await _after(stream)
        if first.alert is not None or first.closed:
            return [first]
        await stream.send(record(HANDSHAKE, version, os.urandom(40)), talker.word)
        return [first, await _after(stream)]

    answers, why = await _after_flight(talker, _offer(version, _suites(False)), say)
    return judge_early_ccs(*answers[:2]) if answers else ("unknown", why)


async def _padding(talker: Talker, version: int) -> Verdict:
    """A first round; another where it tells one secret from another, since chance must not convict."""
    rounds: list[list[Reaction]] = []
    while len(rounds) < ROUNDS:
        answers: list[Reaction] = []
        for which in range(SECRETS):
            got, why = await _secret(talker, version, which)
            if not got:
                first = not answers and not rounds
                refused = why == REFUSED or (why == "closed" and await _answers_others(talker, version))
                return ("sound", "no key exchange by RSA") if first and refused else ("unknown", why)
            answers += got
        rounds.append(answers)
        if len({seen.shape for seen in answers}) == 1:
            break
    return judge_padding(rounds)


async def _answers_others(talker: Talker, version: int) -> bool:
    """A close without an alert is a refusal only while the port still answers another hello."""

    async def say_nothing(stream: Stream, _: Flight) -> list[Reaction]:
        return []

    _, why = await _after_flight(talker, _offer(version, _suites(False)), say_nothing)
    return why == PICKED


async def _secret(talker: Talker, version: int, which: int) -> tuple[list[Reaction], str]:
    """Send one of `padded_secrets` as a key exchange, and a Finished that is none."""

    async def say(stream: Stream, flight: Flight) -> list[Reaction]:
        key = x509.load_der_x509_certificate(flight.chain[0]).public_key() if flight.chain else None
        if not isinstance(key, RSAPublicKey):
            raise MalformedReply("TLS: a key exchange by RSA, and no RSA key")
        numbers, size = key.public_numbers(), key.key_size // 8
        secret = int.from_bytes(padded_secrets(size, version)[which])
        sealed = pow(secret, numbers.e, numbers.n).to_bytes(size)
        exchange = b"\x10" + (size + 2).to_bytes(3) + size.to_bytes(2) + sealed  # RFC 5246 section 7.4.7
        said = record(HANDSHAKE, version, exchange) + record(CHANGE_CIPHER_SPEC, version, b"\x01")
        await stream.send(said + record(HANDSHAKE, version, os.urandom(64)), talker.word)
        return [await _after(stream)]

    return await _after_flight(talker, _offer(version, _suites(True)), say)


async def _after_flight(
    talker: Talker, offer: ClientHello, say: Callable[[Stream, Flight], Awaitable[list[Reaction]]]
) -> tuple[list[Reaction], str]:
    """Say a hello, read the whole flight, then say more; what that drew, or why it was not said."""
    found: list[Reaction] = []

    async def exchange(stream: Stream) -> Reply:
        await stream.send(offer.record(), talker.word)
        data, flight = b"", Flight()
        async with asyncio.timeout(talker.line.timing.reply):
            while not flight.done:
                if not (piece := await stream.receive()):
                    raise Unreachable("TLS: closed at a hello", "closed")
                data += piece
                flight = read_flight(data)
        if flight.hello is None:
            return Reply(kind="alert", offered=0, said=REFUSED.encode())
        if broken := broken_rule(offer, flight.hello):
            raise MalformedReply(broken)
        try:
            found.extend(await say(stream, flight))
        except ValueError as exc:  # a certificate that cannot be read
            raise MalformedReply(f"TLS: {exc}") from None
        finally:
            stream.recorder.rewrite_received(star_heartbeats)
        return Reply(kind=PICKED, offered=0)

    reply = await talker.converse(exchange)
    return found, reply.said.decode("utf-8", "replace")[:80] or reply.kind


async def _after(stream: Stream) -> Reaction:
    """What comes until the line closes, an alert ends it, or nothing more comes in time."""
    data = b""
    try:
        async with asyncio.timeout(stream.line.timing.reply):
            while piece := await stream.receive():
                data += piece
                if Reaction(records(data), closed=False).alert is not None or any(
                    k == HEARTBEAT for k, _ in records(data)
                ):
                    return Reaction(records(data), closed=False)
            return Reaction(records(data), closed=True)
    except TimeoutError:
        return Reaction(records(data), closed=False)
    except Unreachable as exc:
        return Reaction(records(data), closed=exc.state == "closed")
