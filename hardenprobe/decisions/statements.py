"""Statements: what people answer for, with a file where there is one; and what of it holds for which device."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any, Literal

from hardenprobe.checking.views.attestations import USED
from hardenprobe.decisions.entry import MOST_BYTES, Draft, Entry, understood
from hardenprobe.decisions.inputs import InputError, device_of, sentence, span
from hardenprobe.errors import UnknownName
from hardenprobe.facts import ServiceUsed, StatementMade
from hardenprobe.model import INVENTORY, Answered, Device, Endpoint, Observation
from hardenprobe.model.transcript import observation
from hardenprobe.standards import controls
from hardenprobe.standards.controls import METHODS

FORMAT = "hardenprobe.statements/1"
KIND, END = "statement", "statement-end"
Answer = Literal["yes", "no", "partly", "not applicable"]
ANSWERS: tuple[Answer, ...] = ("yes", "no", "partly", "not applicable")


@dataclass(frozen=True, kw_only=True)
class StatementRequest:
    """An attestation; the keys of a file and the options of a command.

    Attributes:
        device: Asset tag, id, name or address; or else `tag`: every device that the inventory tags so; or else `fleet`.
        words: Own words, beside the answer.
        made, until: Days, ISO 8601, both included; today where `made` is left out.
        file: What shows it: a photograph, a form, an export.
    """

    control: str
    answer: Answer
    by: str
    until: str
    method: Literal["examine", "interview", "test"]
    device: str | None = None
    tag: str | None = None
    fleet: bool | None = None
    words: str | None = None
    made: str | None = None
    file: str | None = None


@dataclass(frozen=True, kw_only=True)
class RequestFile:
    """A file of requests, key for key."""

    statements: str
    state: tuple[StatementRequest, ...]


@dataclass(frozen=True, kw_only=True)
class Statement:
    """A person's answer to a control.

    Attributes:
        device, tag: None, both of them, for the whole fleet.
        file: Name of the attached file; its bytes are in the ledger under their SHA-256.
        ended: The day on which it was taken back.
    """

    id: str = ""
    control: str
    device: str | None
    tag: str | None
    answer: str
    words: str | None
    by: str
    made: str
    until: str
    method: str
    file: str | None = None
    file_sha256: str | None = None
    file_bytes: int | None = None
    ended: str | None = None

    @property
    def about(self) -> str:
        """Whom it is about, for people."""
        return self.device or (f"tag {self.tag}" if self.tag else "the whole fleet")

    @property
    def rank(self) -> tuple[int, str]:
        """The higher, the more it counts: a device before a tag before the fleet, and then the newer one."""
        return (2 if self.device else 1 if self.tag else 0), self.made

    def state(self, today: str) -> str:
        """Whether it holds on a day: "holds until ...", "made on ...", "expired on ..." or "ended on ..."."""
        if self.ended and self.ended <= today:
            return f"ended on {self.ended}"
        if self.made > today:
            return f"made on {self.made}"
        return f"expired on {self.until}" if self.until < today else f"holds until {self.until}"

    def holds(self, today: str) -> bool:
        return self.state(today).startswith("holds")

    def covers(self, device: Device) -> bool:
        if self.device is not None:
            return bool(device_of(self.device, (device,)))
        return self.tag is None or self.tag in device.tags


def draft(request: StatementRequest, today: date, folder: Path) -> Draft:
    """Hold a request against the controls, and read its file.

    Args:
        folder: What the file's path is relative to.

    Raises:
        Wrong: Names the key that is wrong.
    """
    known = controls.shipped()
    if request.control not in known:
        hint = str(UnknownName("control", request.control, known, see="hardenprobe statement questions"))
        raise InputError("control", hint)
    if sum((request.device is not None, request.tag is not None, bool(request.fleet))) != 1:
        raise InputError(
            "device", "say whom it is about: a device, or a tag of the inventory, or the whole fleet"
        )
    if request.answer not in ANSWERS:
        raise InputError("answer", f"is {request.answer!r}; answer {', '.join(ANSWERS)}")
    if request.method not in METHODS:
        raise InputError("method", f"is {request.method!r}; it is {', '.join(METHODS)}")
    made, until = span("made", request.made or today.isoformat(), "until", request.until)
    if made > today:
        raise InputError("made", f"{made} is still to come")
    data = _attached(folder / request.file) if request.file else None
    body = Statement(
        control=request.control,
        device=sentence("device", request.device) if request.device is not None else None,
        tag=sentence("tag", request.tag) if request.tag is not None else None,
        answer=request.answer,
        words=sentence("words", request.words) if request.words is not None else None,
        by=sentence("by", request.by),
        made=made.isoformat(),
        until=until.isoformat(),
        method=request.method,
        file=Path(request.file).name if request.file else None,
        file_sha256=hashlib.sha256(data).hexdigest() if data is not None else None,
        file_bytes=len(data) if data is not None else None,
    )
    plain = {key: value for key, value in asdict(body).items() if key not in ("id", "ended")}
    return Draft(kind=KIND, subject="S-", body=plain, file=data)


def read(entries: Iterable[Entry]) -> tuple[Statement, ...]:
    """The statements of a ledger, those taken back among them, the oldest first.

    Raises:
        StoreRefused: An entry cannot be understood.
    """
    found: dict[str, Statement] = {}
    for entry in entries:
        if entry.kind == KIND:
            with understood():
                found[entry.subject] = Statement(id=entry.subject, **entry.body)
        elif entry.kind == END and entry.subject in found:
            found[entry.subject] = replace(found[entry.subject], ended=entry.at[:10])
    return tuple(found.values())


def observed(
    devices: Iterable[Device],
    observations: Mapping[str, tuple[Observation[Any], ...]],
    statements: Sequence[Statement],
    when: str,
    today: str,
    used: Mapping[str, Sequence[ServiceUsed]] | None = None,
) -> Mapping[str, tuple[Observation[Any], ...]]:
    """Put what holds for each device among its observations, in the place of what was there before; and use of services that
    a statement says are off or unused.

    Args:
        when: UTC, ISO 8601: when the review began.
        today: The day by which statements hold.
        used: Address to what is known of use; None leaves what was there before.
    """
    over = (StatementMade,) if used is None else (StatementMade, ServiceUsed)
    found = {id: tuple(o for o in seen if not isinstance(o.facts, over)) for id, seen in observations.items()}
    running = [one for one in statements if one.holds(today)]
    for device in devices if running else ():
        facts = [
            StatementMade(
                statement=one.id, control=one.control, answer=one.answer, by=one.by, made=one.made,
                until=one.until, about=one.about,
            )
            for one in _best(device, running).values()
        ]  # fmt: skip
        made: list[Observation[Any]] = [observation(one, None, INVENTORY, when) for one in facts]
        held = frozenset[tuple[str, int]]().union(*(USED.get(one.control, ()) for one in facts))
        for address in device.addresses if held and used else ():
            for use in used.get(address.address, ()) if used else ():
                if (use.transport, use.port) in held:
                    where = Endpoint(address=address.address, transport=use.transport, port=use.port)
                    made.append(observation(use, where, INVENTORY, when))
        found[device.id] = (*found.get(device.id, ()), *made)
    return found


def answered(
    devices: Iterable[Device],
    required: Callable[[Device], Iterable[str]],
    statements: Sequence[Statement],
    today: str,
) -> tuple[Answered, ...]:
    """The attestations, control by control: attested, expired, open.

    Args:
        required: The controls that must be answered for a device.
    """
    running = [one for one in statements if one.holds(today)]
    over = [one for one in statements if one.made <= today and not one.holds(today)]
    rows: dict[tuple[str, str, str], list[str]] = defaultdict(list)
    asked: set[tuple[str, str, str]] = set()
    for device in devices:
        now, before = _best(device, running), _best(device, over)
        must = set(required(device))
        for control in must | set(now):
            state, one = "unanswered", None
            if control in now:
                state, one = "answered", now[control]
            elif control in before:
                state, one = "expired", before[control]
            key = control, state, one.id if one else ""
            rows[key].append(device.id)
            if control in must:
                asked.add(key)
    by_id = {one.id: one for one in statements}
    order = list(controls.shipped())
    return tuple(
        _row(key, tuple(ids), by_id.get(key[2]), key in asked)
        for key, ids in sorted(rows.items(), key=lambda row: (_place(order, row[0][0]), row[0]))
    )


def _row(key: tuple[str, str, str], devices: tuple[str, ...], one: Statement | None, must: bool) -> Answered:
    control, state, _ = key
    known = controls.shipped().get(control)
    return Answered(
        control=control,
        question=known.question if known else control,
        controls=known.controls if known else (),
        required=must,
        state=state,
        devices=devices,
        statement=one.id if one else None,
        answer=one.answer if one else None,
        words=one.words if one else None,
        by=one.by if one else None,
        made=one.made if one else None,
        until=one.until if one else None,
        method=one.method if one else None,
        file=one.file if one else None,
        file_sha256=one.file_sha256 if one else None,
    )


def _place(order: list[str], control: str) -> int:
    return order.index(control) if control in order else len(order)


def _best(device: Device, statements: Iterable[Statement]) -> dict[str, Statement]:
    """The statement that counts for each control; of two alike, the one that was added later."""
    found: dict[str, Statement] = {}
    for one in statements:
        if one.covers(device) and (one.control not in found or found[one.control].rank <= one.rank):
            found[one.control] = one
    return found


def _attached(path: Path) -> bytes:
    try:
        if path.exists() and not path.is_file():
            raise InputError("file", f"{path} is no ordinary file")  # a pipe would be waited for
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as exc:
        raise InputError("file", f"{path}: {exc.strerror}") from None
    if len(data) > MOST_BYTES:
        raise InputError(
            "file", f"{path} is larger than {MOST_BYTES // 1024 // 1024} MiB; attach a smaller copy"
        )
    return data
