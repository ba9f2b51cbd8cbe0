"""OSCAL assessment results (NIST OSCAL 1.2), for programs that follow controls.

A result that fails becomes an observation, a risk, and for each of its controls that what was seen bears on a finding that the
objective is not satisfied. What passes or is informational is an observation and no more: that a scan found nothing does not show
that a control is satisfied. What was not determined, or does not apply, is counted and is no observation, since nothing was
tested; nor is a question without an answer an interview.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator
from typing import Any, BinaryIO

from hardenprobe.model import Result, Word
from hardenprobe.reports import json_stream
from hardenprobe.reports import oscal_parts as parts
from hardenprobe.reports.source import Piece, Source
from hardenprobe.reports.survey import Survey
from hardenprobe.reports.text import CAUTION

VERSION = "1.2.1"
"""Of OSCAL."""

_RUN_ITSELF = "ra-5"  # vulnerability monitoring and scanning: what a scan is part of even where no result names a control
_REPORTED = frozenset({Word.PASS, Word.FAIL, Word.INFORMATIONAL})
_NOT_DETERMINED = frozenset({Word.UNKNOWN, Word.ERROR, Word.NOTCHECKED})


def write(source: Source, out: BinaryIO) -> None:
    """Write the JSON form."""
    json_stream.write(out, {"assessment-results": _Results(source).document()}, keep_empty=False)
    out.write(b"\n")


class _Results:
    def __init__(self, source: Source) -> None:
        self.source = source
        self.survey = Survey(source)
        self.head = source.outline.head
        self.exception = {note.id: note for note in source.outline.exceptions}
        self.tool_uuid = parts.uuid("tool")
        self.tool = {"actors": [{"type": "tool", "actor-uuid": self.tool_uuid}]}
        self.ended = parts.moment(self.head.finished or self.head.started)

    def document(self) -> dict[str, Any]:
        plan = parts.uuid("plan", self.head.plan_hash)
        return {
            "uuid": parts.uuid("review", self.head.id),
            "metadata": {
                "title": parts.markup(f"Hardening of networked office devices: {self.head.scope}"),
                "last-modified": self.ended,
                "version": parts.markup(self.head.id),
                "oscal-version": VERSION,
                "remarks": parts.markup(CAUTION),
            },
            "import-ap": {
                "href": f"#{plan}",
                "remarks": "The plan of the scan, which the review keeps by its digest.",
            },
            "results": iter([self._result()]),
            "back-matter": {"resources": self._resources(plan)},
        }

    def _result(self) -> dict[str, Any]:
        return {
            "uuid": parts.uuid("result", self.head.id),
            "title": parts.markup(f"Review {self.head.id}"),
            "description": parts.markup(self.survey.summary()),
            "start": parts.moment(self.head.started),
            "end": self.ended,
            "props": [
                *parts.prop("operator", self.head.asked_by),
                *parts.prop("reach", self.head.reach),
                *parts.prop("devices", len(self.survey.review.devices)),
                *parts.prop("results-not-determined", self._counted(_NOT_DETERMINED)),
                *parts.prop("results-not-applicable", self._counted({Word.NOTAPPLICABLE})),
                *parts.prop(
                    "attestations-not-answered", sum(not a.answer for a in self.source.outline.statements)
                ),
            ],
            "local-definitions": {
                "inventory-items": self._inventory(),
                "assessment-assets": self._assets(),
            },
            "reviewed-controls": self._reviewed(),
            "observations": self._observations(),
            "risks": self._risks(),
            "findings": self._findings(),
        }

    def _counted(self, words: Collection[Word]) -> int:
        return sum(count for kind, count in self.survey.results.items() if kind.word in words)

    def _assets(self) -> dict[str, Any]:
        component = {
            "uuid": self.tool_uuid,
            "type": "software",
            "title": "hardenprobe",
            "description": "Checks how well networked office devices are hardened at the protocol level.",
            "props": parts.prop("version", self.head.versions.get("hardenprobe"), ours=False),
            "status": {"state": "operational"},
        }
        if not component["props"]:
            del component["props"]
        platforms = [
            {
                "uuid": parts.uuid("vantage", vantage.name, vantage.source or ""),
                "title": parts.markup(f"Vantage point {vantage.name}"),
                "props": parts.prop("ipv4-address" if "." in (vantage.source or "") else "ipv6-address", vantage.source, ours=False)
                or parts.prop("source-address", "chosen by the system"),
                "uses-components": [{"component-uuid": self.tool_uuid}],
            }
            for vantage in self.source.outline.vantages
        ] or [{"uuid": parts.uuid("vantage"), "title": "Vantage point not recorded"}]  # fmt: skip
        return {"components": [component], "assessment-platforms": platforms}

    def _reviewed(self) -> dict[str, Any]:
        found = sorted({id for control in self.survey.controls if (id := parts.borne_on(control))})
        why = "The controls that the checks name." if found else "No result names a control; the run itself."
        chosen = [{"control-id": id} for id in found or [_RUN_ITSELF]]
        return {"control-selections": [{"description": why, "include-controls": chosen}]}

    def _inventory(self) -> Iterator[Any]:
        for device in self.survey.review.devices:
            yield parts.inventory_item(device, device.id in self.survey.met)

    def _observations(self) -> Iterator[Any]:
        for piece in self.source.pieces():
            asked = {seen.id: seen.asked_at for seen in piece.observations}
            for result, key in self._keyed(piece):
                when = min((asked[id] for id in result.observations if id in asked), default=None)
                collected = parts.moment(when) if when else self.ended
                title = self.survey.title(result.check)
                yield parts.observation(result, piece.device, title, key, collected, self.tool)
        labels = {device.id: device.label for device in self.survey.review.devices}
        for answer in self.source.outline.statements:
            if answer.devices and answer.answer:
                made = parts.moment(answer.made) if answer.made else self.ended
                yield parts.stated(answer, made, labels, self.tool)

    def _risks(self) -> Iterator[Any]:
        for piece, result, keys in self._failed():
            exception = self.exception.get(result.exception.id) if result.exception else None
            yield parts.risk(
                result,
                piece.device,
                self.survey.note.get(result.check),
                self.survey.remedy.get(result.remedy or ""),
                exception,
                keys,
                self.tool,
                piece.usage.get(result.finding),
            )

    def _findings(self) -> Iterator[Any]:
        for piece, result, keys in self._failed():
            title = self.survey.title(result.check)
            controls = dict.fromkeys(id for control in result.controls if (id := parts.borne_on(control)))
            for control in controls:
                yield parts.finding(result, piece.device, title, control, keys, self.tool)

    def _failed(self) -> Iterator[tuple[Piece, Result, list[str]]]:
        """Each finding once, with the observations from every vantage point that saw it; an open one represents it."""
        for piece in self.source.pieces():
            found: dict[str, tuple[Result, list[str]]] = {}
            for result, key in self._keyed(piece):
                if result.result is Word.FAIL:
                    first, keys = found.setdefault(result.finding, (result, []))
                    keys.append(key)
                    if result.stands and not first.stands:
                        found[result.finding] = (result, keys)
            for result, keys in found.values():
                yield piece, result, keys

    def _keyed(self, piece: Piece) -> Iterator[tuple[Result, str]]:
        """The results of a device that are reported, each with the identifier of its observation."""
        times: Counter[tuple[str, str]] = Counter()
        for result in piece.results:
            if result.result in _REPORTED:
                place = (result.finding, result.vantage)
                times[place] += 1
                yield result, parts.uuid("observation", self.head.id, *place, str(times[place]))

    def _resources(self, plan: str) -> Iterator[Any]:
        yield {
            "uuid": plan,
            "title": "Plan of the scan",
            "description": parts.markup(f"Scope {self.head.scope}, reach {self.head.reach}."),
            "props": parts.prop("plan-digest", self.head.plan_hash) or parts.prop("plan-digest", "none"),
        }
        for remedy in self.survey.remedy.values():
            yield parts.remedy_resource(remedy)
