"""Taking a device out of the fleet: what is known of one that goes, and what the ledger keeps of it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any

from hardenprobe.decisions.device_register import RETIRED, LifecycleEvent, Marks, Register
from hardenprobe.decisions.entry import Draft, Entry, understood
from hardenprobe.decisions.exceptions import KIND as EXCEPTION
from hardenprobe.decisions.exceptions import RiskException
from hardenprobe.decisions.inputs import LONGEST, ending
from hardenprobe.errors import UsageError, clip
from hardenprobe.facts import TlsPort
from hardenprobe.lifecycle.checklist import FORMAT, METHODS, POINTS, Answer, Answers
from hardenprobe.lifecycle.device_lookup import Appearance, appearances, in_review, part, review_ids
from hardenprobe.lifecycle.stale_entries import declared, in_file
from hardenprobe.model.rows import read_observations
from hardenprobe.store.store import UNREADABLE, Store


@dataclass(frozen=True, kw_only=True)
class Retirement:
    """A device as it was taken out of the fleet.

    Attributes:
        id, on: Of the entry in the ledger, "" before it is kept.
        ids: Every id that the device had; `device` is the last.
        marks: What tells the device apart, so that it is known when it is seen again.
        serials: Of the certificates that it showed last, hex.
        lists: What was found in lists of admitted sources.
        exceptions: Ids of those that end with it.
        reviews: How many reviews keep what was seen of it.
    """

    id: str = ""
    on: str = ""
    device: str
    label: str
    kind: str
    make_model: str | None
    addresses: tuple[str, ...]
    ids: tuple[str, ...]
    marks: Marks
    answers: Answers
    serials: tuple[str, ...] = ()
    lists: tuple[str, ...] = ()
    exceptions: tuple[str, ...] = ()
    reviews: int = 0

    def notes(self) -> list[str]:
        """What a reader of the record should check."""
        said = self.answers.certificate.serial
        if said and self.serials and _serial(said) not in map(_serial, self.serials):
            return [f"the serial {said} is none that the device was seen to show: {', '.join(self.serials)}"]
        return []


def leaving(
    kept: Store, found: Appearance, turns: Sequence[LifecycleEvent], lists: Iterable[Path] = ()
) -> tuple[Retirement, list[str]]:
    """What the store holds of a device that goes, and nothing answered yet.

    Args:
        lists: Files that must not name its address any more.

    Returns:
        The record, and the entries of those files that name it alone.

    Raises:
        UsageError: It was retired already.
        FileInvalid: A list cannot be read.
        StoreRefused: A review cannot be read.
    """
    last = Register(turns).of(found.device.ids, found.marks)
    if last and last[0].kind == RETIRED:
        raise UsageError(f"{clip(last[0].label)} was retired on {last[0].on} already ({last[0].id})")
    rows = list(appearances(kept, found.device, found.marks, turns))
    # One that is gone already shows nothing in the newest review; what tells it apart is in those where it answered.
    met = next((row for row in reversed(rows) if row.device.services), None)
    marks, shown = found.marks, found
    if met and met.review != found.review:
        shown = in_review(kept, met.review, met.device)
        marks = tuple(dict.fromkeys((*found.marks, *shown.marks)))
    addresses = tuple(one.address for one in found.device.addresses)
    in_files = [one for path in lists for one in in_file(path, addresses)]
    elsewhere = declared(kept, review_ids(kept)[0], addresses, found.device.id)
    retired = Retirement(
        device=found.device.id,
        label=found.device.label,
        kind=found.device.kind,
        make_model=found.device.make_model,
        addresses=addresses,
        ids=tuple(dict.fromkeys((*(row.device.id for row in rows), found.device.id))),
        marks=marks,
        answers=Answers(),
        serials=serials(kept, shown.review, shown.device.id),
        lists=tuple(map(str, (*in_files, *elsewhere))),
        reviews=len(rows),
    )
    return retired, [str(one) for one in in_files if one.alone]


def running(retired: Retirement, known: Iterable[RiskException], today: str) -> list[RiskException]:
    """The exceptions of a device that are not over; they end with it."""
    return [one for one in known if one.device in retired.ids and not one.ended and one.until >= today]


def drafts(retired: Retirement, known: Sequence[RiskException], today: str) -> list[Draft]:
    """The entries that retire a device: itself, and the end of every exception of it that is not over."""
    own = running(retired, known, today)
    retired = replace(retired, exceptions=tuple(one.id for one in own))
    plain = {key: value for key, value in asdict(retired).items() if key not in ("id", "on")}
    ends = [
        ending(
            EXCEPTION,
            known,
            one.id,
            retired.answers.by,
            f"the device is retired: {retired.answers.reason}"[:LONGEST],
        )
        for one in own
    ]
    return [Draft(kind=RETIRED, subject="R-", body=plain), *ends]


def read(entry: Entry) -> Retirement:
    """A retirement as the ledger keeps it.

    Raises:
        StoreRefused: It cannot be understood.
    """
    with understood():
        body: dict[str, Any] = {
            key: tuple(value) if isinstance(value, list) else value for key, value in entry.body.items()
        }
        answers = dict(entry.body["answers"])
        body["answers"] = Answers(**{**answers, **{name: Answer(**answers[name]) for name in POINTS}})
        body["marks"] = tuple((kind, value) for kind, value in entry.body["marks"])
        return Retirement(id=entry.subject, on=entry.at[:10], **body)


def serials(kept: Store, review: str, device: str) -> tuple[str, ...]:
    """The serials of the certificates that a device showed as its own.

    Raises:
        StoreRefused: It cannot be read.
    """
    row = part(kept, review, device)
    try:
        seen = read_observations(row.observations)
    except (*UNREADABLE, UsageError) as exc:
        raise kept.unreadable(review, type(exc).__name__) from exc
    chains = [chain for one in seen if isinstance(one.facts, TlsPort) for chain in one.facts.chains]
    return tuple(dict.fromkeys(chain.certificates[0].serial for chain in chains if chain.certificates))


def template(retired: Retirement) -> str:
    """A file of answers to fill in, with what is known of the device in it."""
    text = files("hardenprobe.templates").joinpath("retirement.yaml").read_text(encoding="utf-8")
    words = {
        "format": FORMAT,
        "device": retired.device,
        "label": _remark(retired.label),
        "addresses": _remark(", ".join(retired.addresses)),
        "serials": _remark(", ".join(retired.serials) or "none was seen"),
        "lists": "".join(f"\n#   {_remark(line)}" for line in retired.lists) or " none",
        "methods": ", ".join(METHODS),
    }
    return Template(text).substitute(words)


def _remark(text: str) -> str:
    """Device text fit for a comment: on one line, without what a terminal would obey."""
    return "".join(char if char.isprintable() else "?" for char in text)[:300]


def _serial(text: str) -> str:
    return text.replace(":", "").replace(" ", "").lower().removeprefix("0x").lstrip("0")
