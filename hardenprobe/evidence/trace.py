"""A finding traced to what proves it: what was seen, the bytes both ways, the rule, and how to ask again."""

from __future__ import annotations

import shlex
from collections.abc import Iterator

from hardenprobe.baseline.baseline import DEFAULT
from hardenprobe.model import Device, Endpoint, Result, Review, Word
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

INDENT = 12
"""Columns before what is said of something, for who folds long lines."""


def is_command(line: str) -> bool:
    """Tell whether a line is a command, which is to be copied as it is."""
    return line.startswith("  hardenprobe ")


def lines(review: Review, finding: str) -> Iterator[str]:
    """The trace, a line at a time; nothing in it does anything to a terminal.

    Args:
        review: As `reading.one_device` gives it.
        finding: Its whole id.
    """
    result = next(one for one in review.results if one.finding == finding)
    device = next((one for one in review.devices if one.id == result.device), None)
    yield f"Finding {visible(finding)}"
    yield from _verdict(review, result, device)
    yield ""
    yield from _rule(review, result)
    yield ""
    yield "What was seen"
    yield from _seen(review, result)
    if asked := _again(review, result, device):
        yield ""
        if result.result is Word.FAIL:
            yield "To ask again, where you are authorised to, beside the store that holds the review"
            yield "  " + shlex.join(["hardenprobe", "recheck", visible(review.head.id), visible(finding)])
            yield "or without it; FILE is what the review was made with"
        else:
            yield "To ask again, where you are authorised to; FILE is what the review was made with"
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
    yield f"  expected  {visible(result.expected.text)}"
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
        yield f"  vector    {visible(result.vector)} (CCSS, NIST IR 7502). {SEVERITY_NOTE}"


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
        if obs.packets:
            yield f"    packets   {runs_text(obs.packets)} of the capture"
        for socket in obs.sockets:
            yield f"    connection at {socket_text(socket)}"
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
    if address is None or not all(c in "0123456789abcdef.:%" for c in address):  # a pseudonym, or no address
        return None
    words = ["hardenprobe", "scan", address, "--only", result.check]
    words += _ports(where)
    source = next((one.source for one in review.vantages if one.name == result.vantage), None)
    if source:
        words += ["--source", source]
    if review.head.reach != "ask":
        words += ["--reach", review.head.reach.value]
    if review.head.port_offset:
        words += ["--port-offset", str(review.head.port_offset)]
    if review.head.baselines and (named := review.head.baselines[-1].baseline) != DEFAULT:
        words += ["--baseline", named]
    inventory = " --inventory FILE" if device and device.asset_tag else ""
    scope = "" if review.head.scope == "loopback" else " --scope FILE"
    return visible(shlex.join(words) + inventory + scope, 1000)


def _ports(where: Endpoint | None) -> list[str]:
    return ["--ports", str(where.port)] if where and where.transport == "tcp" else []
