"""Whether a bag says the same everywhere: whatever can be recomputed from its review is, and compared byte for byte."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import datetime
from itertools import pairwise
from typing import Any

from hardenprobe.errors import UsageError, clip
from hardenprobe.evidence import pack, parts
from hardenprobe.evidence.bag import Derived, Sums
from hardenprobe.evidence.bag_source import LEDGER, REVIEW, Document
from hardenprobe.evidence.container import Container
from hardenprobe.evidence.packets import belongs
from hardenprobe.evidence.reading import Malformed
from hardenprobe.evidence.source import Source, Wanted
from hardenprobe.evidence.verify import Verdict
from hardenprobe.model import Captured, Review
from hardenprobe.model.document import digest as digest_of
from hardenprobe.model.transcript import digest as observation_id
from hardenprobe.reports.text import counted
from hardenprobe.store.device_rows import written

SHOWN = 5  # of one kind of fault; the rest are counted
PACKETS = "data/capture/packets.pcap"
_CAPTURE = "data/capture/capture.json"
_USAGE = "data/usage/usage.json"
_VERSIONS, _SELF_TEST = "data/versions.json", "data/self-test.json"
_MOST_BYTES = 64 * 1024 * 1024  # of a small document
_GIVEN = ("data/capture/", "data/authorisation/", "data/usage/")
"""What a bag was given beside the review; packets are held against what the review says of them."""
_KEPT = ("data/baselines/", "data/trust-anchors/")
"""What a review that kept its files gives, and an older one does not."""
_FORMATTED = (
    "data/reports/",
    "data/rule-sets/",
    "data/transcripts/",
    "data/limitations.txt",
    "data/README.txt",
)
"""What another version of hardenprobe may write otherwise."""


def check(bag: Container, verdict: Verdict) -> Source | None:
    """Verify the content of a bag whose manifests are valid, and write down what is wrong.

    Returns:
        The review in it, where it can be judged again.
    """
    if verdict.of("manifest") != "valid":
        return None
    verdict.verified.append("content")
    try:
        document = Document(bag)
        source = document.source(verdict.about.get("Review-Digest"))
        _review(document, source, verdict)
        _order(source.outline, verdict)
        _ledger(source, verdict)
        if "Full-Bag-SHA-512" not in verdict.about:
            _inputs(source, verdict)
        _recorded(bag, source.outline.head.capture, verdict)
        _derived(bag, source, verdict)
    except UsageError as exc:
        verdict.fault("content", REVIEW, str(exc))
        return None
    return source


def _review(document: Document, source: Source, verdict: Verdict) -> None:
    """The review's own form, the ids of its observations, and what its results rest on."""
    whole = Sums()
    for piece in written(document.head, lambda column: (getattr(row, column) for row in source.rows())):
        whole.add(piece)
    if whole.hex("sha256") != verdict.sums[REVIEW].hex("sha256"):
        verdict.fault("content", REVIEW, "it is not written as hardenprobe writes a review")
    outline = source.outline
    spans = [(_time(outline.head.started), _time(outline.head.finished))]
    spans += [(_time(one.first), _time(one.last)) for one in outline.coverage.captures]
    wrong, outside, unproved, foreign = _Some(), _Some(), _Some(), _Some()
    withheld = "Full-Bag-SHA-512" in verdict.about
    for row in source.rows():
        known = set()
        for entry in json.loads(row.observations):
            known.add(entry.get("id"))
            wrong.add(clip(str(entry.get("id"))), _id(entry) != entry.get("id"))
            at = _time(entry.get("asked_at"))
            within = at and any(
                (not begun or begun <= at) and (not ended or at <= ended) for begun, ended in spans
            )
            outside.add(clip(str(entry.get("id"))), not within)
            foreign.add(clip(str(entry.get("id"))), not _own_packets(entry))
        for result in json.loads(row.results):
            missing = not withheld and not known.issuperset(result.get("observations") or ())
            unproved.add(clip(str(result.get("finding"))), missing)
    wrong.tell(verdict, "content", "observation {}: its id is not the digest of its facts and bytes")
    outside.tell(verdict, "order", "observation {}: it lies outside the time of the review")
    foreign.tell(verdict, "content", "observation {}: a packet header is not of one of its connections")
    unproved.tell(verdict, "content", "finding {}: it rests on an observation that its device does not have")


def _own_packets(entry: Mapping[str, Any]) -> bool:
    try:
        return all(belongs(one, entry["sockets"]) for one in entry.get("headers") or ())
    except (AttributeError, KeyError, TypeError):
        return False


class _Some:
    """Things that are wrong in one way, the first of them by name."""

    def __init__(self) -> None:
        self._shown: list[str] = []
        self._count = 0

    def add(self, name: str, wrong: bool) -> None:
        if wrong:
            self._count += 1
            if self._count <= SHOWN:
                self._shown.append(name)

    def tell(self, verdict: Verdict, kind: Any, text: str) -> None:
        for name in self._shown:
            verdict.fault(kind, REVIEW, text.format(name))
        if self._count > SHOWN:
            verdict.fault(kind, REVIEW, f"{self._count - SHOWN} more: {text.format('...')}")


def _id(entry: Mapping[str, Any]) -> str | None:
    try:
        return observation_id(
            entry["kind"],
            entry["facts"],
            entry["endpoint"],
            entry["vantage"],
            entry["asked_at"],
            entry["transcript"],
            entry.get("sockets") or (),
        )
    except (KeyError, TypeError, ValueError):
        return None


def _order(outline: Review, verdict: Verdict) -> None:
    """Finished, packed, signed, stamped: each not before the one before it. Clocks of others may lag by seconds."""
    times = [
        ("finished", _time(outline.head.finished)),
        ("packed", _time(verdict.about.get("Packed-At"))),
        ("signed", verdict.signed),
        ("stamped", verdict.stamped),
    ]
    known = [(name, at.replace(microsecond=0)) for name, at in times if at]
    for (first, before), (second, after) in pairwise(known):
        if after < before:
            verdict.fault(
                "order",
                "bag-info.txt",
                f"{second} on {after:%Y-%m-%d %H:%M:%S} UTC, before it was {first} on {before:%Y-%m-%d %H:%M:%S} UTC",
            )


def _time(text: Any) -> datetime | None:
    try:
        return datetime.fromisoformat(text) if isinstance(text, str) and text.endswith("Z") else None
    except ValueError:
        return None


def _ledger(source: Source, verdict: Verdict) -> None:
    """The chain of the ledger, and that it ends with the entry that the review was judged with."""
    if "Full-Bag-SHA-512" in verdict.about:
        return
    last = None
    for at, entry in enumerate(source.ledger, 1):
        plain = {key: value for key, value in vars(entry).items() if key != "digest"}
        if (entry.number, entry.previous_digest, entry.digest) != (at, last, digest_of(plain)):
            verdict.fault("content", LEDGER, f"its chain of digests breaks at entry {at}")
            return
        last = entry.digest
    if last != source.outline.head.ledger:
        verdict.fault("content", LEDGER, "it does not end with the entry that the review names")


def _inputs(source: Source, verdict: Verdict) -> None:
    """The files that the review rests on are those that it names."""
    for one in source.outline.head.inputs:
        try:
            source.used(one)
        except Malformed as exc:
            verdict.fault("content", REVIEW, str(exc))
        except UsageError as exc:
            # A baseline that was at hand and judged no device is not packed.
            if one.role != "baseline":
                verdict.leave_open("content", str(exc))


def _recorded(bag: Container, recorded: Captured | None, verdict: Verdict) -> None:
    sums = verdict.sums.get(PACKETS)
    if sums is None:
        return
    if recorded and sums.hex("sha256") != recorded.sha256:
        verdict.fault("content", PACKETS, "these are not the packets that the review recorded")
    said = _json(bag, _CAPTURE)
    if said != {"sha256": sums.hex("sha256"), "recorded_by_the_review": recorded is not None}:
        verdict.fault("content", _CAPTURE, "it says something else of the packets than is there")


def _derived(bag: Container, source: Source, verdict: Verdict) -> None:
    """Write every part anew from the review, and compare."""
    full = verdict.about.get("Full-Bag-SHA-512")
    made_by = _json(bag, _VERSIONS).get("packed_by")
    if absent := _json(bag, _SELF_TEST).get("absent"):
        verdict.told.insert(0, f"No self-test is in the bag: {absent}.")
    wanted = Wanted(
        self_test=_json(bag, _SELF_TEST), packed_by=made_by if isinstance(made_by, dict) else {"": "unknown"}
    )
    made = Derived()
    pack.readme(made, full)
    given = _given(source.outline)
    for part in pack.parts_of(redacted=full is not None):
        if f"data/{part.name}/" not in given:
            part.write(source, wanted, made)
        elif f"data/{part.name}/" in _KEPT and not bag.names & {f"data/{part.name}/{part.name}.json"}:
            verdict.fault("content", f"data/{part.name}/{part.name}.json", "it is missing")
    same_code = dict(wanted.packed_by) == parts.packed_by()
    if same_code and _USAGE not in bag.names:
        verdict.fault("content", _USAGE, "it is missing")
    differing = 0
    for path, sums in made.sums.items():
        there = verdict.sums.get(path)
        if there is not None and there.hex("sha256") == sums.hex("sha256"):
            continue
        if there and not same_code and (path.startswith(_FORMATTED) or _says_no_less(bag, path, made)):
            differing += 1
        else:
            verdict.fault("content", path, "it is not what the review gives" if there else "it is missing")
    if differing:
        verdict.leave_open(
            "content",
            f"{counted(differing, 'file')} written by other code than this: compared as far as that goes; see versions.json",
        )
    for path in _unexpected(bag, made, given):
        verdict.fault("content", path, "no part of the review gives it")


def _says_no_less(bag: Container, path: str, made: Derived) -> bool:
    """Tell whether a document of other code says what this one gives, but for fields that it did not know and that are empty."""
    if path not in made.values:
        return False
    ours = json.loads(json.dumps(made.values[path]))
    return _agree(_read(bag, path), ours)


def _agree(there: Any, ours: Any) -> bool:
    if isinstance(there, dict) and isinstance(ours, dict):
        known = there.keys() <= ours.keys()
        return known and all(_agree(there[key], ours[key]) if key in there else not ours[key] for key in ours)
    if isinstance(there, list) and isinstance(ours, list):
        return len(there) == len(ours) and all(map(_agree, there, ours))
    return bool(there == ours)


def _unexpected(bag: Container, made: Derived, given: tuple[str, ...]) -> Iterator[str]:
    for path in sorted(bag.names):
        if path.startswith("data/") and path not in made.sums and not path.startswith(given):
            yield path


def _given(outline: Review) -> tuple[str, ...]:
    """Below which folders a bag holds what it was given beside the review; a review that kept its files gives them too."""
    return _GIVEN if outline.head.inputs else (*_GIVEN, *_KEPT)


def _json(bag: Container, path: str) -> dict[str, Any]:
    found = _read(bag, path)
    if not isinstance(found, dict):
        raise UsageError(f"{path} holds no object")
    return found


def _read(bag: Container, path: str) -> Any:
    if path not in bag.names:
        raise UsageError(f"the bag holds no {path}")
    if bag.size(path) > _MOST_BYTES:
        raise UsageError(f"{path} has more than {_MOST_BYTES} bytes")
    try:
        return json.loads(b"".join(bag.document(path)))
    except (ValueError, RecursionError) as exc:
        raise UsageError(f"{path} is no JSON") from exc
