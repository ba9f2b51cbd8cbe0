"""What is in a bag: a list of named parts, each written by one function. A new part is one more line in `PARTS`."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

from hardenprobe.errors import UsageError
from hardenprobe.evidence import parts_limits, parts_reports, parts_rules
from hardenprobe.evidence.bag import Payload
from hardenprobe.evidence.packets import packet_text
from hardenprobe.evidence.source import DeviceEvidence, Source, Wanted, changed_outside
from hardenprobe.model import Captured
from hardenprobe.reports import text

Write = Callable[[Source, Wanted, Payload], None]


@dataclass(frozen=True)
class Part:
    """A part of a bag.

    Attributes:
        name: The first part of its paths.
        what: One sentence for the bag's own README.
        redacted: A redacted bag has it too: nothing in it tells whose devices these are.
    """

    name: str
    what: str
    write: Write
    redacted: bool = False


def _review(source: Source, wanted: Wanted, bag: Payload) -> None:
    sum_ = hashlib.sha256()
    with bag.file("review.json") as out:
        for piece in source.document():
            sum_.update(piece)
            out.write(piece)
    if source.digest and source.digest != sum_.hexdigest():
        raise changed_outside(source.outline.head.id, "its digest does not fit")


def _coverage(source: Source, wanted: Wanted, bag: Payload) -> None:
    bag.json("coverage.json", asdict(source.outline.coverage))


def packed_by() -> dict[str, str]:
    """Versions of the code that writes a bag, and the digest of our own, which differs between two builds of one version."""
    from hardenprobe.model.versions import versions

    return {
        **versions(),
        **{name: version(name) for name in ("Jinja2", "rich")},
        "hardenprobe source, SHA-256": _source_digest(),
    }


@cache
def _source_digest() -> str:
    package = Path(__file__).parent.parent
    digest = hashlib.sha256()
    for path in sorted(package.rglob("*")):
        if path.suffix in (".py", ".html", ".css", ".js", ".json", ".yaml"):
            digest.update(f"{path.relative_to(package).as_posix()}\0".encode())
            digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def _versions(source: Source, wanted: Wanted, bag: Payload) -> None:
    made_by = wanted.packed_by or packed_by()
    checks = [{"id": one.id, "version": one.version, "origin": one.origin} for one in source.outline.checks]
    bag.json(
        "versions.json",
        {"reviewed_by": dict(source.outline.head.versions), "packed_by": dict(made_by), "checks": checks},
    )


def _scope(source: Source, wanted: Wanted, bag: Payload) -> None:
    head = source.outline.head
    bag.json(
        "scope.json",
        {
            "scope": head.scope,
            "operator": head.operator,
            "stated_operator": head.stated_operator,
            "started": head.started,
            "finished": head.finished,
            "reach": head.reach,
            "plan_hash": head.plan_hash,
            "clock": asdict(head.clock),
            "vantages": [asdict(one) for one in source.outline.vantages],
            "authorisation": asdict(head.authorisation) if head.authorisation else None,
        },
    )


def _transcripts(source: Source, wanted: Wanted, bag: Payload) -> None:
    for number, one in enumerate(source.devices(), 1):
        with bag.file(f"transcripts/{number:06d}.txt") as out:
            for line in _transcript(one):
                out.write(f"{line}\n".encode("utf-8", "backslashreplace"))


def _transcript(one: DeviceEvidence) -> Iterator[str]:
    yield f"Device {text.visible(one.device.label)}, id {text.visible(one.device.id)}"
    for obs in one.observations:
        yield ""
        yield f"Observation {text.visible(obs.id)}: {text.visible(obs.kind)}"
        where = text.endpoint_text(obs.endpoint) if obs.endpoint else "read from a file"
        yield f"{where}, asked {text.visible(obs.asked_at)} from {text.visible(obs.vantage)}"
        if obs.packets:
            yield f"packets {text.runs_text(obs.packets)} of the capture"
        for socket in obs.sockets:
            yield f"connection at {text.socket_text(socket)}"
        for header in obs.headers:
            yield f"packet at {packet_text(header)}"
        for exchange in obs.transcript:
            size = text.counted(exchange.length, "byte")
            yield f"{exchange.at:.3f} s, {exchange.direction}, {size}"
            for line in text.dump(exchange):
                yield f"  {line}"


def _exceptions(source: Source, wanted: Wanted, bag: Payload) -> None:
    bag.json("exceptions.json", [asdict(one) for one in source.outline.exceptions])


def _statements(source: Source, wanted: Wanted, bag: Payload) -> None:
    listed: list[dict[str, Any]] = []
    written: dict[str, bool] = {}
    for one in source.outline.statements:
        if one.file_sha256 and one.file_sha256 not in written:
            written[one.file_sha256] = _attached(source, one.file_sha256, bag)
        listed.append({**asdict(one), "file_is_here": written.get(one.file_sha256 or "")})
    bag.json("statements/statements.json", listed)


def _attached(source: Source, sha256: str, bag: Payload) -> bool:
    try:
        data = source.attached(sha256)
    except UsageError:  # the store has it no longer, or not as it was
        return False
    with bag.file(f"statements/files/{sha256}", packed=False) as out:
        out.write(data)
    return True


def _ledger(source: Source, wanted: Wanted, bag: Payload) -> None:
    bag.json("ledger.json", [{**vars(one), "body": dict(one.body)} for one in source.ledger])


def _usage(source: Source, wanted: Wanted, bag: Payload) -> None:
    with bag.file("usage/usage.json") as out:
        out.write(b'{"format": "hardenprobe.usage/1",\n"sources": ')
        out.write(json.dumps([asdict(one) for one in source.usage]).encode("ascii"))
        out.write(b',\n"uses": [')
        for number, one in enumerate(source.uses()):
            out.write(b",\n" if number else b"\n")
            out.write(json.dumps(asdict(one)).encode("ascii"))
        out.write(b"\n]}\n")


def _self_test(source: Source, wanted: Wanted, bag: Payload) -> None:
    bag.json("self-test.json", wanted.self_test)


def _capture(source: Source, wanted: Wanted, bag: Payload) -> None:
    if wanted.capture:
        copy_capture(source.outline.head.capture, wanted.capture, bag)


def _authorisation(source: Source, wanted: Wanted, bag: Payload) -> None:
    if path := wanted.authorisation:
        try:
            data = path.read_bytes()
        except OSError as exc:
            raise UsageError(f"--authorisation {path}: {exc.strerror}") from exc
        with bag.file(f"authorisation/{parts_rules.plain(path.name)}", packed=False) as out:
            out.write(data)


def copy_capture(recorded: Captured | None, path: Path, bag: Payload) -> None:
    """Copy packets, and say whether the review vouches for them.

    Args:
        recorded: What the review says of them. What a later scan added to the file is left out.

    Raises:
        UsageError: They cannot be read, or are others than those that the review has recorded.
    """
    try:
        size = recorded.size if recorded else path.stat().st_size
        with path.open("rb") as file, bag.file("capture/packets.pcap", packed=False) as out:
            sums = hashlib.sha256()
            while size and (data := file.read(min(size, 1024 * 1024))):
                size -= len(data)
                sums.update(data)
                out.write(data)
    except OSError as exc:
        raise UsageError(f"--capture {path}: {exc.strerror}") from exc
    if recorded and recorded.sha256 != sums.hexdigest():
        raise UsageError(f"--capture {path}: it is not the file that the scan wrote; its digest differs")
    bag.json(
        "capture/capture.json", {"sha256": sums.hexdigest(), "recorded_by_the_review": recorded is not None}
    )


PARTS = (
    Part(
        "review.json",
        "The review, with every observation and its bytes; format hardenprobe.review/1.",
        _review,
        True,
    ),
    Part(
        "limitations.txt",
        "Read this first: what was examined, what was not, and what could not be determined.",
        parts_limits.write,
        True,
    ),
    Part("coverage.json", "What was to be seen and what was seen.", _coverage, True),
    Part("versions.json", "Versions of all code and of each check.", _versions, True),
    Part("scope.json", "What was authorised, by whom, and how it was asked.", _scope),
    Part(
        "transcripts",
        "The bytes both ways, a file for each device, in the order of the review.",
        _transcripts,
    ),
    Part(
        "inputs",
        "The plan, whose SHA-256 is the review's plan_hash, the scope file and the inventory, as they were.",
        parts_rules.inputs,
    ),
    Part("baselines", "The baselines that devices were judged by.", parts_rules.baselines),
    Part(
        "rule-sets",
        "The published rules behind them, as they were.",
        parts_rules.rule_sets,
        True,
    ),
    Part("trust-anchors", "Who was trusted to sign certificates.", parts_rules.anchors),
    Part("exceptions.json", "Risks accepted for a time.", _exceptions),
    Part("statements", "What people answer for, with their files by SHA-256.", _statements),
    Part("ledger.json", "Every decision and declaration so far, chained by digests.", _ledger),
    Part(
        "usage",
        "Who used which service, where evidence of use was kept, with the SHA-256 of each source; the review does not rest on it.",
        _usage,
        True,
    ),
    Part("self-test.json", "What the demo lab is guilty of and what a scan of it found.", _self_test, True),
    Part(
        "capture", "The packets of the scan, where asked for, and whether the review recorded them.", _capture
    ),
    Part("authorisation", "The signed authorisation of the scan, where one was given.", _authorisation),
    Part("reports", "The review for reading, in volumes of some devices each.", parts_reports.write, True),
)
"""In the order in which they are written."""
