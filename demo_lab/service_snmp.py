"""An SNMP agent that reads: versions 1 and 2c by community, version 3 by user."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, ClassVar, Literal

from pyasn1.codec.ber import decoder, encoder
from pysnmp.proto import api

from hardenprobe.demo_lab import mib
from hardenprobe.demo_lab.service import Answer, Host, Service
from hardenprobe.demo_lab.usm import Engine, User

Version = Literal["1", "2c", "3"]

_WIRE = {0: "1", 1: "2c", 3: "3"}  # RFC 1157, RFC 1901, RFC 3412
_CODECS: dict[str, Any] = {
    "1": api.PROTOCOL_MODULES[api.SNMP_VERSION_1],
    "2c": api.PROTOCOL_MODULES[api.SNMP_VERSION_2C],
}


@dataclass(frozen=True, kw_only=True)
class Snmp(Service, speaks="snmp"):
    """An agent. A community it does not know gets no answer at all (RFC 1157 section 4.1).

    Attributes:
        communities: What versions 1 and 2c answer to, for reading.
        any_community: Answer every community: a trap for a scanner that takes one answer for proof.
        narrow_view: The communities see no object.
        users: Who version 3 knows.
        write_communities: Which of the communities may also write, and that is sysContact alone.
        most_repetitions: How far the agent follows a GetBulk.
        contact, operator, job_owners, interfaces, forwards, utc_offset_h, states_zone, access, channels, addresses, receivers,
            supplicant, wireless, forwards_6, listens, clients: See mib.Shown.
    """

    transport: ClassVar[Literal["tcp", "udp"]] = "udp"

    port: int = 161
    versions: tuple[Version, ...]
    communities: tuple[str, ...] = ()
    any_community: bool = False
    narrow_view: bool = False
    users: tuple[User, ...] = ()
    write_communities: tuple[str, ...] = ()
    most_repetitions: int = mib.MOST_REPETITIONS
    contact: str | None = None
    operator: str = ""
    job_owners: tuple[str, ...] = ()
    interfaces: tuple[bool, ...] = (True,)
    forwards: bool = False
    utc_offset_h: int = 0
    states_zone: bool = True
    access: Literal["hidden", "reads", "writes"] = "hidden"
    channels: tuple[int, ...] = ()
    addresses: tuple[str, ...] = ()
    receivers: Mapping[str, Version] = field(default_factory=dict)
    supplicant: int | None = None
    wireless: tuple[bool, ...] = ()
    forwards_6: bool = False
    listens: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    clients: Mapping[str, int] = field(default_factory=dict)

    @property
    def shown(self) -> mib.Shown:
        own = {f.name: getattr(self, f.name) for f in fields(mib.Shown)}
        return mib.Shown(**own | {"users": tuple(user.name for user in self.users)})

    def fault(self) -> str | None:
        short = [
            u.name for u in self.users if min(len(u.password), len(u.privacy_password or u.password)) < 8
        ]
        if short:
            return f"a password of user {short[0]!r} is shorter than 8 characters (RFC 3414 section 11.2)"
        return None

    def table(self, host: Host) -> mib.Table:
        """The objects that it serves."""
        return mib.of(host, self.shown)

    def answerer(self, host: Host) -> Answer:
        full = self.table(host)
        view = mib.EMPTY if self.narrow_view else full
        known = {name.encode() for name in self.communities}
        engine = Engine(host.engine_id, self.users, lambda pdu: mib.respond(full, pdu, version1=False))

        def answer(data: bytes) -> bytes | None:
            try:
                version = _WIRE.get(_version(data))
                if version not in self.versions:
                    return None
                if version == "3":
                    return engine.answer(data)
                return self._community_answer(data, version, None if self.any_community else known, view)
            except Exception:  # noqa: BLE001 - hostile bytes make the decoder raise anything; an agent stays silent
                return None

        return answer

    def _community_answer(
        self, data: bytes, version: str, known: set[bytes] | None, view: mib.Table
    ) -> bytes | None:
        codec = _CODECS[version]
        message, _ = decoder.decode(data, asn1Spec=codec.Message())
        community = bytes(codec.apiMessage.get_community(message))
        if known is not None and community not in known:
            return None
        response = mib.respond(
            view,
            codec.apiMessage.get_pdu(message),
            version1=version == "1",
            writable=community.decode("utf-8", "replace") in self.write_communities,
            most=self.most_repetitions,
        )
        if response is None:
            return None
        answer = codec.apiMessage.get_response(message)
        codec.apiMessage.set_pdu(answer, response)
        return bytes(encoder.encode(answer))


def _version(data: bytes) -> int:
    """The INTEGER that every SNMP message begins with."""
    at = 2 if data[1] < 0x80 else 2 + (data[1] & 0x7F)
    return data[at + 2] if data[at : at + 2] == b"\x02\x01" else -1
