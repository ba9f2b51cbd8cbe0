"""The page's data: an index of all devices, and blocks of a few devices each, packed, that the page opens when they are asked for.

Every text in it is made harmless here and becomes text on the page, never markup. Packed data holds no text at all that a
browser could take for something else.
"""

from __future__ import annotations

import base64
import gzip
import json
import re
from collections.abc import Iterator, Sequence
from itertools import islice
from typing import Any, NamedTuple

from hardenprobe.model import Device, Observation, Result, State, Word
from hardenprobe.reports.families import family, in_order, short
from hardenprobe.reports.marks import MARKS, STANDING, mark, weight
from hardenprobe.reports.source import Piece
from hardenprobe.reports.survey import Survey, network
from hardenprobe.reports.text import SEVERITIES, counted, endpoint_text, reason_text, runs_text, visible
from hardenprobe.reports.usage_text import summary, user_line
from hardenprobe.reports.view import cost_text, scores_text

BLOCK = 20
"""Devices in a block."""

_BYTES = 1_500_000
"""Bytes of transcripts on a page, shared by its devices: they are the one thing in it that does not pack well."""

_LEAST, _MOST = 48, 2048
"""Bytes of one exchange that are kept, whatever the number of devices."""

_USERS = 10  # of a service that are listed with a finding
_LIMIT = 1000  # characters of any one text
_EXCHANGES = 24  # an average device shows as many in proof of its findings, by the lab

_ID = re.compile("[0-9a-z]{4}")

STATES = {State.ACCEPTING: "open", State.REFUSING: "closed", State.SILENT: "filtered"}
"""The states of a port as people say them."""

Pairs = list[tuple[str, str]]


def kept_bytes(devices: int) -> int:
    """How many bytes of an exchange a page of so many devices shows."""
    return max(_LEAST, min(_MOST, _BYTES // max(1, devices * _EXCHANGES)))


def pack(value: Any) -> str:
    """Plain JSON types as base64 of gzip; the same value is always the same text."""
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=False)
    return base64.b64encode(gzip.compress(text.encode(), 9, mtime=0)).decode()


def index(survey: Survey) -> dict[str, Any]:
    """What the page knows of every device before it opens a block. Devices are in the order of the blocks."""
    devices = survey.review.devices
    number = {device.id: n for n, device in enumerate(devices)}
    names = networks(survey)
    place = {name: n for n, name in enumerate(names)}
    of_remedy: dict[str, set[int]] = {remedy: set() for remedy in survey.remedy}
    checks = {check: n for n, check in enumerate(survey.checks)}
    for check, remedy in survey.mended:
        of_remedy.setdefault(remedy, set()).add(checks[check])
    by_check = survey.by_check()
    return {
        "block": BLOCK,
        "checks": [[check, _text(survey.title(check))] for check in survey.checks],
        # Columns of the table: a check that says nothing of any device has none.
        "columns": [checks[check] for check in in_order(checks) if set(by_check[check]) - {" ", "-"}],
        "families": [family(check) for check in survey.checks],
        "short": [_text(short(check)) for check in survey.checks],
        "marks": [[one.code, one.shape, one.style, one.meaning] for one in MARKS],
        "networks": names,
        "remedies": {id: sorted(found) for id, found in of_remedy.items()},
        "order": [number[device.id] for device in survey.devices],
        "id": [_text(device.id) for device in devices],
        "label": [_text(device.label) for device in devices],
        "address": [" ".join(address.address for address in device.addresses) for device in devices],
        "kind": [_text(device.kind) for device in devices],
        "place": [_text(device.place or "") for device in devices],
        "owner": [_text(device.owner or "") for device in devices],
        "network": [place[network(device)] for device in devices],
        "row": [survey.marks(device.id) for device in devices],
        "none": survey.none_open,
        "counts": [_counts(survey, device) for device in devices],
    }


def networks(survey: Survey) -> list[str]:
    """The networks that devices are shown under, sorted."""
    return sorted({network(device) for device in survey.review.devices})


def said_by(survey: Survey, field: str) -> list[str]:
    """What the devices have as their owner or place, sorted."""
    return sorted({_text(said) for device in survey.review.devices if (said := getattr(device, field))})


def _counts(survey: Survey, device: Device) -> list[int]:
    counts = survey.counts[device.id]
    return [*(counts.standing[severity] for severity in SEVERITIES), counts.accepted, counts.untold]


class Block(NamedTuple):
    """A block on the page.

    Attributes:
        findings: The beginnings of its findings' ids, four characters each, so that a link to a finding opens this block and
            hardly another.
    """

    findings: str
    packed: str


def blocks(survey: Survey) -> Iterator[Block]:
    """The packed blocks, in order."""
    kept = kept_bytes(len(survey.review.devices))
    pieces = survey.source.pieces()
    while some := list(islice(pieces, BLOCK)):
        failed = (result for piece in some for result in piece.results if result.result is Word.FAIL)
        begun = sorted({_beginning(result.finding) for result in failed})
        yield Block("".join(begun), pack([_device(survey, piece, kept) for piece in some]))


def _beginning(finding: str) -> str:
    """Four characters; what is no id, as in a review that someone edited, has those of all such."""
    begun = finding[:4]
    return begun if _ID.fullmatch(begun) else "----"


def _device(survey: Survey, piece: Piece, kept: int) -> dict[str, Any]:
    device = piece.device
    failed = sorted((r for r in piece.results if r.result is Word.FAIL), key=weight)
    others = [r for r in piece.results if r.result not in (Word.FAIL, Word.NOTSELECTED)]
    proving = dict.fromkeys(id for result in failed for id in result.observations)
    seen = {obs.id: obs for obs in piece.observations if obs.id in proving}
    shown = list(seen)
    place = {check: n for n, check in enumerate(survey.checks)}
    return {
        "about": _about(device),
        "findings": [_finding(survey, piece, result, place, shown) for result in failed],
        "others": [
            [
                place[result.check],
                mark([result]).code,
                endpoint_text(result.endpoint, device)
                + (f", {_text(result.subject)}" if result.subject else ""),
                _text(result.observed.text),
                reason_text(result.reason) if result.reason else "",
            ]
            for result in others
        ],
        "proofs": [_proof(seen[id], kept) for id in shown],
    }


def _about(device: Device) -> Pairs:
    several = len(device.addresses) > 1
    ports = (
        f"{one.port}/{one.transport} {STATES[one.state]}"
        + (f" ({one.protocol})" if one.protocol else "")
        + (f" at {one.address}" if several else "")
        for one in device.services
    )
    identity = (f"{one.kind} {one.value} ({one.strength}, from {one.source})" for one in device.identity)
    baseline = f"{device.baseline.name} {device.baseline.hash}" if device.baseline else "none"
    pairs = (
        ("Names", ", ".join(device.names) or "none"),
        ("Make and model", device.make_model or "not known"),
        ("Asset tag", device.asset_tag or "not in inventory"),
        ("Owner", device.owner or "not stated"),
        ("Criticality", device.criticality or "not stated"),
        *((("Environment", device.ccss),) if device.ccss else ()),
        ("Tags", ", ".join(device.tags) or "none"),
        ("Identified by", "; ".join(identity) or "nothing"),
        ("Ports", "; ".join(ports) or "none seen"),
        ("Baseline", baseline),
        ("Cost", cost_text(device.cost)),
    )
    return [(label, visible(value, 4000)) for label, value in pairs]


def _finding(
    survey: Survey, piece: Piece, result: Result, place: dict[str, int], shown: Sequence[str]
) -> dict[str, Any]:
    device = piece.device
    told: list[tuple[str, object]] = [
        ("Observed", result.observed.text),
        ("Expected", result.expected.text),
        ("Score", f"{scores_text(result)} {result.vector or ''}"),
    ]
    if result.rule_set:
        told.append(("Rule set", f"{result.rule_set.name}, {result.rule_set.date}"))
    told += [
        ("Controls", ", ".join(result.controls) or "none"),
        ("Vantage point", result.vantage + (f", {result.reason}" if result.reason else "")),
        *_dates(piece, result),
        *_users(piece, result),
    ]
    found: dict[str, Any] = {
        "id": result.finding,
        "check": place[result.check],
        "mark": mark([result]).code,
        "severity": str(result.severity or "not rated"),
        "where": endpoint_text(result.endpoint, device)
        + (f", {_text(result.subject)}" if result.subject else ""),
        "told": [(label, _text(value)) for label, value in told],
        "proofs": [shown.index(id) if id in shown else _text(id) for id in result.observations],
    }
    if result.exception:
        found["note"] = (
            f"Risk accepted until {_text(result.exception.until)}, exception {_text(result.exception.id)}."
        )
    elif result.lapsed:
        found["note"] = (
            f"Risk acceptance {_text(result.lapsed.id)} no longer applies: {_text(result.lapsed.why)}."
        )
    if result.remedy in survey.remedy:
        found["remedy"] = [result.remedy, _text(survey.remedy[result.remedy].title)]
    return found


def _dates(piece: Piece, result: Result) -> list[tuple[str, object]]:
    dates = piece.dates.get(result.finding)
    if dates is None:
        return []
    seen = f"{dates.first_seen[:10]}, open since {dates.open_since[:10]}"
    due = f"{dates.due}{', overdue' if dates.overdue else ''}" if dates.due else "no day is set"
    return [("First seen", seen), ("Due", due), ("Owner", piece.device.owner or "not stated")]


def _users(piece: Piece, result: Result) -> list[tuple[str, object]]:
    usage = piece.usage.get(result.finding)
    if usage is None:
        return []
    shown = [user_line(user) for user in usage.users[:_USERS]]
    rest = [f"{len(usage.users) - _USERS} more"] if len(usage.users) > _USERS else []
    return [("Users", summary(usage)), *((("Used by", "; ".join([*shown, *rest])),) if shown else ())]


def _proof(obs: Observation[Any], kept: int) -> dict[str, Any]:
    where = f", {endpoint_text(obs.endpoint, None)}" if obs.endpoint else ""
    packets = f" Packets {runs_text(obs.packets)} of the capture." if obs.packets else ""
    return {
        "title": _text(f"Bytes: {obs.kind}, asked {obs.asked_at} from {obs.vantage}"),
        "about": _text(f"Observation {obs.id}{where}.{packets}"),
        "bytes": [
            [
                f"{one.at:.3f} s, {one.direction}, {counted(one.length, 'byte')}",
                _hex(one.hex, kept),
                one.length,
            ]
            for one in obs.transcript
        ],
    }


def _hex(text: str, kept: int) -> str:
    """Bytes as hex; what is none, as in a review that someone edited, is left out."""
    try:
        return bytes.fromhex(text)[:kept].hex()
    except ValueError:
        return ""


def _text(value: object) -> str:
    return visible(value, _LIMIT)


OUTCOMES = (
    ("standing", "open finding", "".join(one.code for one in STANDING)),
    ("high", "high", "h"),
    ("medium", "medium", "m"),
    ("low", "low", "l"),
    ("accepted", "risk accepted", "a"),
    ("untold", "not determined", "uen"),
)
"""What the page can be filtered by: name, words, and the codes of the marks."""
