"""Ask with the fleet's own secrets: SNMPv3 users at each level they can use, and communities.

They go only to a listed device that a question without a secret has confirmed; see devices/credentials.py.
"""

from __future__ import annotations

import secrets as random_numbers
from collections.abc import AsyncIterator, Sequence
from typing import TYPE_CHECKING, Any

from hardenprobe.devices.credentials import User
from hardenprobe.errors import MalformedReply
from hardenprobe.facts import SnmpAnswer, SnmpEngine, SnmpObjects, SnmpUser, SnmpWriteBack, TlsPort, readable
from hardenprobe.facts.snmp import PRT_SERIAL
from hardenprobe.model import Observation, Reach
from hardenprobe.model.transcript import Recorder
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.snmp import agent, usm
from hardenprobe.probes.snmp.message import digest_offset
from hardenprobe.probes.snmp.objects import ask_objects
from hardenprobe.probes.snmp.pdu import request_pdu
from hardenprobe.probes.snmp.response import VERSIONS, Response
from hardenprobe.probes.snmp.write import write_back

if TYPE_CHECKING:
    from hardenprobe.devices.inventory import Listed

AUTHORIZATION_ERROR = 16  # RFC 3416 section 3
# usmStats, RFC 3414 section 5.
UNSUPPORTED_LEVEL, NOT_IN_WINDOW, UNKNOWN_USER, UNKNOWN_ENGINE, WRONG_DIGEST, CANNOT_DECRYPT = range(1, 7)
REPORTS = {
    UNSUPPORTED_LEVEL: "denied",
    UNKNOWN_USER: "unknown-user",
    WRONG_DIGEST: "wrong-digest",
    CANNOT_DECRYPT: "wrong-key",
}
STOPS = ("wrong-digest", "wrong-key")


def confirmed(listed: Listed | None, asked: ProbeContext) -> str | None:
    """Say by what a question without a secret has confirmed the listed device; None where nothing has."""
    if listed is None:
        return None
    # What a supplied secret has read confirms nothing, or a secret would vouch for itself.
    answers = [o.facts for o in asked.of(SnmpAnswer) if o.facts.origin == "default"]
    serials = {(facts.values or {}).get(PRT_SERIAL, "").strip() for facts in answers}
    if listed.serial and listed.serial in serials:
        return "serial"
    engines = {o.facts.engine_id for o in asked.of(SnmpEngine)}
    if listed.engine_id and listed.engine_id in engines:
        return "engine id"
    keys = {
        c.certificates[0].spki_sha256 for o in asked.of(TlsPort) for c in o.facts.chains if c.certificates
    }
    return "pinned key" if listed.pinned_key and listed.pinned_key in keys else None


class _Session:
    """One user at one engine."""

    def __init__(self, line: DeviceLink, user: User, engine: usm.Engine) -> None:
        self.line, self.user, self.engine = line, user, engine
        self.recorders: list[Recorder] = []

    async def ask(self, level: str, oids: Sequence[str]) -> tuple[str, Response | None]:
        """One Get at a level; once more where the engine's clock was misjudged."""
        reply = await self._exchange(level, oids)
        if isinstance(reply, usm.Reply) and reply.report == NOT_IN_WINDOW:
            self.engine = usm.Engine(self.engine.id, reply.engine.boots, reply.engine.time)
            reply = await self._exchange(level, oids)
        if isinstance(reply, str):
            return reply, None
        if reply.response is None:
            return REPORTS.get(reply.report or 0, "unreadable"), None
        if reply.response.status == AUTHORIZATION_ERROR:
            return "denied", None
        return ("served" if reply.response.status == 0 else "unreadable"), reply.response

    async def _exchange(self, level: str, oids: Sequence[str]) -> usm.Reply | str:
        number = random_numbers.randbelow(2**31 - 1) + 1
        request = usm.encode(self.user, level, self.engine, request_pdu("3", "get", oids, number), number)
        answer = await self.line.ask(agent.PORT, request, wait=self.line.timing.greeting)
        self.recorders.append(answer.recorder)
        protected = level != "noAuthNoPriv"
        if protected:
            _hide(answer.recorder, request)
        if not answer.data:
            return "silent"
        try:
            return usm.decode(self.user, level, self.engine, answer.data, number)
        except MalformedReply:
            return "unreadable"
        finally:
            if protected:
                _hide(answer.recorder, answer.data)


def _hide(recorder: Recorder, message: bytes) -> None:
    """Star everything from the digest on: a digest, and what is encrypted, lets passwords be tried offline."""
    try:
        at = digest_offset(message)
    except MalformedReply:
        at = 0
    recorder.forget(message[at:])


async def ask_user(line: DeviceLink, user: User, engine: usm.Engine) -> Observation[SnmpUser]:
    """Try the levels that the user's own pair allows, the weakest first; a wrong digest ends it."""
    session = _Session(line, user, engine)
    levels: dict[str, str] = {}
    values = None
    for level in user.levels:
        levels[level], response = await session.ask(level, agent.IDENTITY)
        if response:
            found = [b for b in response.bindings if b and b.octets is not None]
            values = {b.oid: readable(b.octets or b"", 256) for b in found}
        if levels[level] in (*STOPS, "unknown-user", "silent"):
            break
    facts = SnmpUser(name=user.name, auth=user.auth, priv=user.priv, levels=levels, values=values)
    return line.observation(facts, line.endpoint(agent.PORT, "udp", "snmp"), *session.recorders)


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[Any]]:
    secrets, line = asked.secrets, asked.line
    if agent.PORT not in asked.plan.udp_ports or not (secrets.users or secrets.communities):
        return
    engines = [o for o in asked.of(SnmpEngine) if o.facts.engine_id]
    by = confirmed(asked.listed, asked)
    if by is None:
        for user in secrets.users if engines else ():
            yield _withheld(
                line, user, "no question without a secret has confirmed that this is the listed device"
            )
        return
    for user in secrets.users if engines else ():
        async with secrets.turn(user):
            if user.name in secrets.stopped:
                where = secrets.stopped[user.name]
                yield _withheld(
                    line,
                    user,
                    f"its digest or key was rejected at {where}; it is not sent to any device again",
                )
                continue
            fresh = await agent.discover_engine(line)
            if fresh.facts.engine_id != engines[0].facts.engine_id:
                yield _withheld(line, user, "the engine has changed its id meanwhile")
                continue
            engine = usm.Engine(
                bytes.fromhex(fresh.facts.engine_id or ""), fresh.facts.boots or 0, fresh.facts.time or 0
            )
            seen = await ask_user(line, user, engine)
            if any(word in STOPS for word in seen.facts.levels.values()):
                secrets.stop(user, line.address)
            yield seen
    for community in secrets.communities:
        name, label = community.community.reveal(), community.label
        answered = None
        for version in VERSIONS:
            answer = await agent.ask_community(line, version, name.decode(), origin="supplied", label=label)
            yield answer
            if answer.facts.error_status is not None:
                answered = version
        if answered and asked.wants(SnmpObjects):
            yield await ask_objects(line, answered, name, label, "supplied")
        writes = asked.wants(SnmpWriteBack) and asked.plan.granted("snmp-known-community-write", Reach.ALTER)
        if answered and writes:
            yield await write_back(line, answered, name, label, "supplied")


def _withheld(line: DeviceLink, user: User, why: str) -> Observation[SnmpUser]:
    facts = SnmpUser(name=user.name, auth=user.auth, priv=user.priv, levels={}, withheld=why)
    return line.observation(facts, line.endpoint(agent.PORT, "udp", "snmp"))


PROBE = Probe(
    name="snmp-supplied",
    produces=(SnmpUser, SnmpAnswer, SnmpObjects, SnmpWriteBack),
    ask=_ask,
    place=("udp", agent.PORT),
)
