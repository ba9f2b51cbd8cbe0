"""The objects of OSCAL assessment results, one function each. Which of them a result leads to is decided in oscal.py.

Source: NIST OSCAL 1.2, assessment results model.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from hardenprobe.model import (
    INVENTORY,
    Answered,
    CheckNote,
    Device,
    Endpoint,
    ExceptionNote,
    Remedy,
    Result,
    Word,
)
from hardenprobe.model.usage import ServiceUsage
from hardenprobe.reports.text import endpoint_text, reason_text, visible
from hardenprobe.reports.usage_text import users

Object = dict[str, Any]

NAMESPACE = "https://hardenprobe.example/ns/oscal"
"""Of properties that OSCAL does not name."""

_UUIDS = uuid5(NAMESPACE_URL, NAMESPACE)
_CONTROL = re.compile(r"\b([A-Z]{2})-(\d+)(?:\((\d+)\))?")
_TECHNICAL = frozenset({"ac", "au", "cm", "ia", "sc", "si"})  # families of NIST SP 800-53 Rev. 5
_MARKUP = re.compile(r"([\\`*_{}\[\]<>#|~^!&])")  # what means something in Markdown
_LIMIT = 2000  # characters of any one text


def uuid(kind: str, *names: str) -> str:
    """A name-based identifier (RFC 9562, version 5): the same thing has the same one in every document."""
    return str(uuid5(_UUIDS, "\0".join((kind, *names))))


def control_id(control: str) -> str | None:
    """The identifier of a control in NIST's catalogue: "SC-8(1)" is "sc-8.1". None for a control of another catalogue."""
    found = _CONTROL.search(control)
    if found is None:
        return None
    family, number, enhancement = found.groups()
    return f"{family.lower()}-{number}" + (f".{enhancement}" if enhancement else "")


def borne_on(control: str) -> str | None:
    """The identifier of a control that what a scan sees bears on, None for others.

    A port shows how a system is configured; it does not show that a component is out of support or that personal data is
    processed without authority, as SA-22 and PT-2 ask. Common practice (no published requirement).
    """
    found = control_id(control)
    return found if found and found.partition("-")[0] in _TECHNICAL else None


def markup(text: object) -> str:
    """Text that is text in Markdown, too."""
    return _MARKUP.sub(r"\\\1", visible(text, _LIMIT)).strip() or "(nothing)"


def moment(text: str | None) -> str:
    """A time with a zone. A day is its beginning; what is no time, as in a review that someone edited, is the epoch."""
    try:
        if len(text or "") == len("2026-01-01"):
            found = datetime.combine(date.fromisoformat(text or ""), time(), UTC)
        else:
            found = datetime.fromisoformat(text or "")
    except ValueError:
        return "1970-01-01T00:00:00+00:00"
    return (found if found.tzinfo else found.replace(tzinfo=UTC)).isoformat()


def prop(name: str, value: object, *, ours: bool = True) -> list[Object]:
    """A property, in a list that is empty where there is no value."""
    text = visible(value, _LIMIT).strip() if value is not None else ""
    return [{"name": name, **({"ns": NAMESPACE} if ours else {}), "value": text}] if text else []


def inventory_item(device: Device, scanned: bool) -> Object:
    props = prop("is-scanned", "yes" if scanned else "no", ours=False)
    props += prop("asset-tag", device.asset_tag, ours=False)
    for address in device.addresses:
        props += prop(f"{address.family}-address", address.address, ours=False)
    for name in device.names:
        props += prop("name", name)
    props += prop("physical-location", device.place, ours=False)
    props += prop("kind", device.kind) + prop("owner", device.owner) + prop("device", device.id)
    return {"uuid": uuid("device", device.id), "description": markup(device.label), "props": props}


def subject(device: str, label: str) -> Object:
    return {"subject-uuid": uuid("device", device), "type": "inventory-item", "title": markup(label)}


def observation(result: Result, device: Device, title: str, key: str, asked: str, tool: Object) -> Object:
    """What a check says of one place. `asked` is when the bytes that prove it came."""
    where = endpoint_text(result.endpoint, device)
    method = "EXAMINE" if result.vantage == INVENTORY else "TEST"
    why = f" Reason: {reason_text(result.reason)}." if result.reason else ""
    found: Object = {
        "uuid": key,
        "title": markup(f"{title}: {device.label}, {where}"),
        "description": markup(f"Observed: {result.observed.text}. Expected: {result.expected.text}.{why}"),
        "props": [
            *prop("result", result.result),
            *prop("reason", result.reason),
            *prop("check", result.check),
            *prop("check-version", result.check_version),
            *prop("finding", result.finding if result.result is Word.FAIL else None),
            *prop("vantage-point", result.vantage),
            *_where(result.endpoint),
            *prop("subject", result.subject),
            *prop("rule-set", f"{result.rule_set.name}, {result.rule_set.date}" if result.rule_set else None),
        ],
        "methods": [method],
        "types": ["finding" if result.result is Word.FAIL else "control-objective"],
        "origins": [tool],
        "subjects": [subject(device.id, device.label)],
        "collected": asked,
    }
    if result.observations:
        found["relevant-evidence"] = [
            {
                "description": "Observations of the review, with the bytes that were seen.",
                "props": [one for id in result.observations for one in prop("observation", id)],
            }
        ]
    return found


def _where(endpoint: Endpoint | None) -> list[Object]:
    if endpoint is None:
        return []
    return [
        *prop("address", endpoint.address),
        *prop("port", f"{endpoint.port}/{endpoint.transport}"),
        *prop("protocol", endpoint.protocol),
        *prop("path", endpoint.path),
    ]


def stated(answer: Answered, collected: str, labels: dict[str, str], tool: Object) -> Object:
    """Attestations of some devices."""
    props = [
        *prop("state", answer.state),
        *prop("answer", answer.answer),
        *prop("answered-by", answer.by),
        *prop("statement", answer.statement),
        *prop("file", answer.file),
        *prop("file-sha256", answer.file_sha256),
    ]
    for control in answer.controls:
        props += prop("control-id", control_id(control))
    found: Object = {
        "uuid": uuid("statement", answer.control, answer.statement or answer.state, *answer.devices[:1]),
        "title": markup(answer.question),
        "description": markup(answer.words or f"{answer.answer}, without more words"),
        "props": props,
        "methods": [(answer.method or "interview").upper()],
        "types": ["control-objective"],
        "origins": [tool],
        "subjects": [subject(device, labels.get(device, device)) for device in answer.devices],
        "collected": collected,
    }
    if answer.until:
        found["expires"] = moment(answer.until)
    return found


def risk(
    result: Result,
    device: Device,
    note: CheckNote | None,
    remedy: Remedy | None,
    exception: ExceptionNote | None,
    observations: list[str],
    tool: Object,
    usage: ServiceUsage | None = None,
) -> Object:
    """What a failed result puts at risk, its remediation, and whom that would affect."""
    title = note.title if note else result.check
    facets = [
        _facet("severity", str(result.severity) if result.severity else None),
        _facet("ccss-base-score", result.score),
        _facet("ccss-temporal-score", result.temporal),
        _facet("ccss-environmental-score", result.environmental),
        _facet("ccss-vector", result.vector),
    ]
    found: Object = {
        "uuid": uuid("risk", result.finding),
        "title": markup(f"{title}: {device.label}, {endpoint_text(result.endpoint, device)}"),
        "description": markup(result.observed.text),
        "statement": markup(note.why if note else title),
        "props": [*prop("finding", result.finding), *prop("check", result.check)],
        "status": "deviation-approved" if result.exception else "open",
        "origins": [tool],
    }
    if rated := [facet for facet in facets if facet]:
        found["characterizations"] = [{"origin": tool, "facets": rated}]
    if result.exception:
        found["deadline"] = moment(result.exception.until)
        found["props"] += prop("exception", result.exception.id)
        if exception:
            found["props"] += prop("approved-by", exception.approved_by)
            found["mitigating-factors"] = [
                {
                    "uuid": uuid("mitigation", exception.id, result.finding),
                    "description": markup(exception.compensating),
                }
            ]
    if remedy:
        affected = prop("users", users(usage)) if usage else []
        found["remediations"] = [
            {
                "uuid": uuid("response", remedy.id, result.finding),
                "lifecycle": "recommendation",
                "title": markup(remedy.title),
                "description": markup(remedy.steps[0] if remedy.steps else remedy.title),
                **({"props": affected} if affected else {}),
                "links": [{"href": f"#{uuid('remedy', remedy.id)}", "rel": "reference"}],
            }
        ]
    found["related-observations"] = [{"observation-uuid": one} for one in observations]
    return found


def _facet(name: str, value: object) -> Object | None:
    if value is None:
        return None
    return {"name": name, "system": NAMESPACE, "value": visible(value)}


def finding(
    result: Result, device: Device, title: str, control: str, observations: list[str], tool: Object
) -> Object:
    """That a control's objective is not met on a device. A scan never says that one is met."""
    where = endpoint_text(result.endpoint, device)
    return {
        "uuid": uuid("finding", result.finding, control),
        "title": markup(f"{title}: {device.label}, {where}"),
        "description": markup(f"Observed: {result.observed.text}. Expected: {result.expected.text}."),
        "props": prop("finding", result.finding),
        "origins": [tool],
        "target": {
            "type": "objective-id",
            "target-id": f"{control}_obj",
            "props": prop("control-id", control),
            "status": {"state": "not-satisfied", "reason": "fail"},
        },
        "related-observations": [{"observation-uuid": one} for one in observations],
        "related-risks": [{"risk-uuid": uuid("risk", result.finding)}],
    }


def remedy_resource(remedy: Remedy) -> Object:
    """A remedy in full, to which risks link."""
    lines = (
        *(f"{number}. {markup(step)}" for number, step in enumerate(remedy.steps, 1)),
        f"Needs first: {markup(remedy.needs_first)}",
        f"Stops working: {markup(remedy.stops_working)}",
        f"Ask first: {markup(remedy.ask)}",
        f"Rollback: {markup(remedy.undo)}",
        f"Lock-out: {markup(remedy.lock_out)}",
        f"Confirm: {markup(remedy.confirm)}",
    )
    return {
        "uuid": uuid("remedy", remedy.id),
        "title": markup(remedy.title),
        "description": "\n\n".join(lines),
        "props": prop("remedy", remedy.id),
    }
