"""Reading one device out of a review's document that is too large to hold, and that anybody may have written."""

from __future__ import annotations

import codecs
import json
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from hardenprobe.errors import UnknownName, UsageError, clip
from hardenprobe.model import Review, Word
from hardenprobe.model.document import from_document

MOST_CHARS = 64 * 1024 * 1024  # of one value: some four hundred times what a device's observation takes
MOST_OTHERS = 20  # other devices of a finding whose part is read
LISTS = frozenset({"devices", "observations", "results"})
_AFTER = frozenset(",:]}")
_DECODER = json.JSONDecoder()


class Malformed(UsageError):
    """A document is not JSON as `codec.canonical` writes it."""


def entries(chunks: Iterable[bytes]) -> Iterator[tuple[str, Any]]:
    """The values of an object as they come: key and value, and of its large lists key and each entry.

    Raises:
        Malformed: It is no object, or one of its values is too large.
    """
    text = _Text(chunks)
    text.take("{")
    while True:
        key = text.value()
        if not isinstance(key, str):
            raise Malformed(f"review document: a key is expected, not {clip(key)}")
        text.take(":")
        if key in LISTS and text.peek() == "[":
            text.take("[")
            while text.peek() != "]":
                yield key, text.value()
                if text.peek() != "]":
                    text.take(",")
            text.take("]")
        else:
            yield key, text.value()
        if text.peek() == "}":
            return
        text.take(",")


class _Text:
    """Characters of a stream, a window of them in memory."""

    def __init__(self, chunks: Iterable[bytes]) -> None:
        self._chunks = iter(chunks)
        self._decoder = codecs.getincrementaldecoder("utf-8")()
        self._held = ""
        self._at = 0

    def _more(self) -> bool:
        chunk = next(self._chunks, None)
        if chunk is None:
            return False
        try:
            self._held = self._held[self._at :] + self._decoder.decode(chunk)
        except UnicodeDecodeError as exc:
            raise Malformed("review document: it is no UTF-8") from exc
        self._at = 0
        return True

    def peek(self) -> str:
        while self._at >= len(self._held):
            if not self._more():
                raise Malformed("review document: it ends early")
        return self._held[self._at]

    def take(self, char: str) -> None:
        if self.peek() != char:
            raise Malformed(f"review document: {char!r} is expected, not {self.peek()!r}")
        self._at += 1

    def value(self) -> Any:
        self.peek()
        tried = 0
        while True:
            held = len(self._held) - self._at
            # Trying anew for every chunk would take the square of the time that a large value needs.
            if held >= tried:
                try:
                    found, end = _DECODER.raw_decode(self._held, self._at)
                    if self._held[end : end + 1] in _AFTER:  # which shows that a number is over
                        self._at = end
                        return found
                except (ValueError, RecursionError):
                    pass
                tried = 2 * held
            if held > MOST_CHARS or not self._more():
                break
        try:
            found, self._at = _DECODER.raw_decode(self._held, self._at)
        except (ValueError, RecursionError) as exc:
            raise Malformed("review document: one of its values is too large, or no JSON") from exc
        return found


def one_device(document: Callable[[], Iterable[bytes]], finding: str) -> tuple[Review, str]:
    """The review of the one device that a finding is about, and the whole id of that finding.

    Where the finding names other devices, what the same check says of them, and what proves it, is in it too.

    Args:
        document: Makes a pass over the review's canonical document.
        finding: Its id, or the unique beginning of one.

    Raises:
        UsageError: There is no such finding, or the document is none.
    """
    results: dict[str, dict[str, Any]] = {}
    known: list[str] = []
    head: dict[str, Any] = {}
    for key, value in entries(document()):
        if key not in LISTS:
            head[key] = value
        elif key == "results" and isinstance(value, dict) and value.get("result") == Word.FAIL:
            name = str(value.get("finding"))
            if name.startswith(finding):
                results[name] = value
            elif len(known) < 10_000:
                known.append(name)
    if len(results) > 1:
        raise UsageError(f"{len(results)} findings begin with {clip(finding)}; write more of the id")
    if not results:
        raise UnknownName("finding", finding, known, see="hardenprobe report")
    ((name, result),) = results.items()
    others = _other_parts(document, result)
    proving = {id for one in others for id in one.get("observations") or ()}
    devices = {result.get("device"), *(one.get("device") for one in others)}
    held: dict[str, list[Any]] = {"devices": [], "observations": [], "results": [result, *others]}
    for key, value in entries(document()):
        if key == "devices" and _of(value, "id") in devices:
            held[key].append(value)
        elif key == "observations":
            mine = _of(value, "device") == result.get("device")
            if mine or value.get("id") in proving:
                held[key].append(value)
    try:
        return from_document({**head, **held}), name
    except RecursionError as exc:
        raise Malformed("review document: one of its values is too deep") from exc


def _other_parts(document: Callable[[], Iterable[bytes]], result: dict[str, Any]) -> list[dict[str, Any]]:
    """What the same check says of the other devices that a finding names, those with which it shares a key, say."""
    observed = result.get("observed")
    value = observed.get("value") if isinstance(observed, dict) else None
    named = value.get("devices") if isinstance(value, dict) else value
    if not isinstance(named, list) or not all(isinstance(one, str) for one in named):
        return []
    wanted, found, known = set(named[:MOST_OTHERS]), [], set()
    for key, entry in entries(document()):
        if key == "devices" and wanted & {_of(entry, "id"), entry.get("label")}:
            known.add(entry.get("id"))
        elif key == "results" and _of(entry, "device") in known - {result.get("device")}:
            same = ("check", "subject", "result")
            if all(entry.get(one) == result.get(one) for one in same):
                found.append(entry)
    return found


def _of(value: Any, key: str) -> Any:
    if not isinstance(value, dict):
        raise Malformed(f"review document: an object is expected, not {clip(value)}")
    return value.get(key)
