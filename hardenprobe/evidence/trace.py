"""A finding traced to what proves it: what was seen, the bytes both ways, the rule, and how to ask again."""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable, Iterator
from dataclasses import asdict

import yaml

from hardenprobe.baseline.baseline import DEFAULT
from hardenprobe.errors import UsageError
from hardenprobe.evidence.packets import packet_text
from hardenprobe.model import Device, Endpoint, Head, Reach, Result, Review, UsedFile, Word
from hardenprobe.model.document import UnknownFacts
from hardenprobe.reports.text import (
    CAUTION,
    SEVERITY_NOTE,
    counted,
    dump,
    endpoint_text,
    reason_text,
    runs_text,
    socket_text,
    visible,
)
from hardenprobe.reports.view import scores_text
from hardenprobe.standards.ccss import is_ccss

INDENT = 12
"""Columns before what is said of something, for who folds long lines."""


AUDIT_STORE = "hardenprobe-audit.db"
"""Store that a bag's review is imported to before it is rechecked."""

SCOPE = "scope.yaml"
"""Name of the scope file in a command that is printed."""


def is_command(line: str) -> bool:
    """Tell whether a line is a command, which is to be copied as it is."""
    return line.startswith("  hardenprobe ")


def lines(
    review: Review,
    finding: str,
    used: Callable[[UsedFile], bytes] | None = None,
    *,
    bag: str | None = None,
    store: str | None = None,
) -> Iterator[str]:
    """The trace, a line at a time; nothing in it does anything to a terminal.

    Args:
        review: As `reading.one_device` gives it.
        finding: Its whole id.
        used: Reads a file that the review rests on; raises UsageError where it is not at hand.
        bag: The bag that the review is read from; None for a store.
        store: Where the review is kept; None for the usual place.
    """
    result = next(one for one in review.results if one.finding == finding)
    device = next((one for one in review.devices if one.id == result.device), None)
    yield f"Finding {visible(finding)}"
    yield from _verdict(review, result, device)
    yield ""
    yield from _rule(review, result)
    yield from _baseline(review, result, device, used)
    yield ""
    yield from _made(review)
    yield ""
    yield "What was seen"
    yield from _seen(review, result)
    for other in review.results:
        if other.device != result.device:
            label = next((one.label for one in review.devices if one.id == other.device), other.device)
            yield ""
            yield f"The part of {visible(label)}: finding {visible(other.finding)}"
            yield f"  observed  {visible(other.observed.text)}"
            yield from _seen(review, other)
    if asked := _again(review, result, device):
        yield ""
        if result.result is Word.FAIL:
            yield "Recheck the finding, where you are authorised to scan:"
            if bag is not None:
                store = AUDIT_STORE
                yield "  " + shlex.join(["hardenprobe", "evidence", "import", visible(bag), "--store", store])
            again = ["hardenprobe", "recheck", visible(review.head.id), visible(finding)]
            yield "  " + shlex.join([*again, *(["--store", visible(store)] if store else [])])
        else:
            if review.head.scope != "loopback":
                yield f"Scan again, where you are authorised to, in the folder of the scope file {SCOPE}:"
            else:
                yield "Scan again:"
            yield f"  {asked}"
        yield CAUTION


def _verdict(review: Review, result: Result, device: Device | None) -> Iterator[str]:
    yield f"  review    {visible(review.head.id)}, {visible(review.head.started)}, scope {visible(review.head.scope)}"
    label = f"{device.label} ({', '.join(a.address for a in device.addresses)})" if device else result.device
    yield f"  device    {visible(label)}"
    yield f"  where     {endpoint_text(result.endpoint, device)}"
    if result.subject:
        yield f"  subject   {visible(result.subject)}"
    yield f"  result    {result.result}, severity {result.severity or 'not rated'}, score {scores_text(result)}"
    if result.reason:
        yield f"  reason    {reason_text(result.reason)}"
    yield f"  observed  {visible(result.observed.text)}"
    if result.observed.value is not None:
        yield f"  as value  {visible(_plain(result.observed.value), 4000)}"
    yield f"  expected  {visible(result.expected.text)}"
    if result.expected.value is not None:
        yield f"  as value  {visible(_plain(result.expected.value), 4000)}"
    if result.exception:
        yield f"  accepted  until {visible(result.exception.until)} by exception {visible(result.exception.id)}"


def _rule(review: Review, result: Result) -> Iterator[str]:
    yield "The rule"
    note = next((one for one in review.checks if one.id == result.check), None)
    title = f": {note.title}" if note else ""
    yield f"  check     {visible(result.check)} version {visible(result.check_version)}{visible(title)}"
    if note:
        yield f"  why       {visible(note.why, 2000)}"
        yield f"  sources   {visible('; '.join(note.references), 2000)}"
    if result.rule_set:
        yield f"  rule set  {visible(result.rule_set.name)}, {visible(result.rule_set.date)}"
    if result.controls:
        yield f"  controls  {visible(', '.join(result.controls))} (NIST SP 800-53)"
    if result.vector:
        system = "CCSS, NIST IR 7502" if is_ccss(result.vector) else "CVSS version 2, since this is a flaw"
        yield f"  vector    {visible(result.vector)} ({system}). {SEVERITY_NOTE}"


def _baseline(
    review: Review, result: Result, device: Device | None, used: Callable[[UsedFile], bytes] | None
) -> Iterator[str]:
    """The baseline by name and hash, and all that it decides for the check."""
    if device is None or device.baseline is None:
        return
    yield f"  baseline  {visible(device.baseline.name)}, SHA-256 {visible(device.baseline.hash)}"
    if used is None:
        return
    for one in review.head.inputs:
        if one.role == "baseline" and one.of == device.baseline.hash:
            try:
                decides = yaml.safe_load(used(one))["expect"][result.check]
            except (UsageError, yaml.YAMLError, KeyError, TypeError, RecursionError):
                continue
            yield f"  decides   {visible(_plain(decides), 4000)} in {visible(one.name)}, SHA-256 {visible(one.sha256)}"
            return
    if review.head.inputs:
        yield "  decides   nothing of its own: the check's defaults hold"


def _made(review: Review) -> Iterator[str]:
    """By whom, with which authority and by which clock."""
    head = review.head
    yield "How it was made"
    yield f"  operator  {visible(head.asked_by)}"
    allowed = head.authorisation
    if allowed:
        ends = f" until {visible(allowed.until)}" if allowed.until else ""
        file = f", scope file SHA-256 {visible(allowed.file_hash)}" if allowed.file_hash else ""
        yield f"  allowed   by {visible(allowed.authorised_by)}{ends}, test level {allowed.reach}{file}"
    else:
        yield "  allowed   not recorded"
    versions = ", ".join(f"{name} {said}" for name, said in sorted(head.versions.items()))
    yield f"  versions  {visible(versions, 1000)}"
    yield f"  clock     {'proven' if head.clock.proven else 'not proven'}: {visible(head.clock.how)}; offset {_offset(head)}"
    yield f"  plan      SHA-256 {visible(head.plan_hash)}"


def _offset(head: Head) -> str:
    offset = head.clock.offset
    return "not measured" if offset is None else f"{offset:+.3f} s against {visible(head.clock.reference)}"


def _plain(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True, default=str)


def _facts(facts: object) -> dict[str, object]:
    if isinstance(facts, UnknownFacts):
        return dict(facts.data)
    return asdict(facts)  # type: ignore[call-overload, no-any-return]


def _seen(review: Review, result: Result) -> Iterator[str]:
    held = {obs.id: obs for seen in review.observations.values() for obs in seen}
    for id in result.observations:
        if id not in held:
            yield f"  observation {visible(id)} is not in here"
            continue
        obs = held[id]
        where = endpoint_text(obs.endpoint) if obs.endpoint else "read from a file"
        yield f"  observation {visible(id)}: {visible(obs.kind)}, {where}"
        yield f"    asked {visible(obs.asked_at)} from {visible(obs.vantage)}"
        yield f"    facts     {visible(_plain(_facts(obs.facts)), 4000)}"
        if obs.packets:
            yield f"    packets   {runs_text(obs.packets)} of the capture"
        for socket in obs.sockets:
            yield f"    connection at {socket_text(socket)}"
        for header in obs.headers:
            yield f"    packet at {packet_text(header)}"
        if not obs.transcript:
            yield "    no bytes were exchanged"
        for exchange in obs.transcript:
            yield f"    {exchange.at:.3f} s, {exchange.direction}, {counted(exchange.length, 'byte')}"
            for line in dump(exchange):
                yield f"      {line}"


def _again(review: Review, result: Result, device: Device | None) -> str | None:
    """The command that asks for this finding alone."""
    where = result.endpoint
    address = where.address if where else device.addresses[0].address if device else None
    if review.head.reach is Reach.LISTEN:
        return None  # nobody was asked
    if address is None or not all(c in "0123456789abcdef.:%" for c in address):  # a pseudonym, or no address
        return None
    words = ["hardenprobe", "scan", address, "--only", result.check]
    words += _ports(where)
    source = next((one.source for one in review.vantages if one.name == result.vantage), None)
    if source:
        words += ["--source", source]
    if review.head.reach is not Reach.ASK:
        words += ["--reach", review.head.reach.value]
    if review.head.port_offset:
        words += ["--port-offset", str(review.head.port_offset)]
    if review.head.baselines and (named := review.head.baselines[-1].baseline) != DEFAULT:
        words += ["--baseline", named]
    if review.head.scope != "loopback":
        words += ["--scope", SCOPE]
    return visible(shlex.join(words), 1000)


def _ports(where: Endpoint | None) -> list[str]:
    return ["--ports", str(where.port)] if where and where.transport == "tcp" else []
