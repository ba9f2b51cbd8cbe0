"""The errors that hardenprobe raises.

    HardenprobeError
      UsageError          exit 2: the caller asked for something impossible, or a file is wrong
        ScopeRefused        address, window, port or reach outside the scope; raised before a packet leaves
          PastTheDoor         code that is not Link went for the network by itself
          MayNotSpeak         a probe would say something to a port that may not be spoken to
        FileInvalid         file, line, what is wrong, how to fix it
        UnknownName         a check, baseline or review of that name is not there; proposes the nearest
        StoreRefused        the store cannot be opened or is not ours
          StoreHeld           another process holds it just now
        BagRefused          a file is no evidence bag, or not one that can be read safely; in evidence/container.py
        ScatteredMasks      a list has masks with gaps that make too many parts to be compared exactly
      MalformedReply      a codec met bytes it cannot read; the probe records it, a check never sees it
      CeilingReached      a device's ceiling of connections, bytes or seconds would be passed
      Unreachable         no answer: refused, silent or cut off; the probe records it
      LocalFault          this machine cannot go on: no descriptor, buffer, port, address or interface is left
      ContractBroken      a check or a probe is not what it must be; who brought it is named, and the scan goes on

A device's silence, refusal or nonsense is an observation; the caller's mistake is a UsageError; a bug in hardenprobe is
neither and keeps its own type.
"""

from __future__ import annotations

import difflib
import traceback
from collections.abc import Iterable
from typing import Any


class HardenprobeError(Exception):
    """Whatever this package raises on purpose. The text is one line for a person."""


class UsageError(HardenprobeError):
    """The caller asked for something impossible. Exit status 2."""


class ScopeRefused(UsageError):
    """Something lies outside the scope. Raised before a packet leaves.

    Attributes:
        address: The address that was refused, or None where no address is at fault.
    """

    def __init__(self, message: str, address: str | None = None) -> None:
        super().__init__(message)
        self.address = address

    def __reduce__(self) -> tuple[type[ScopeRefused], tuple[str, str | None]]:
        return type(self), (str(self), self.address)


class PastTheDoor(ScopeRefused):
    """Code that is not Link went for the network by itself. It costs that code its result, and no other."""


class MayNotSpeak(ScopeRefused):
    """A probe would speak to a port of the never-speak list, or in a protocol that the port is not for. It costs that probe."""


class FileInvalid(UsageError):
    """A file that a person wrote is wrong.

    Attributes:
        file: The file as the caller named it.
        line: Line number from 1, or None where the fault has no line.
    """

    def __init__(self, file: str, line: int | None, message: str) -> None:
        super().__init__(f"{file}:{line}: {message}" if line else f"{file}: {message}")
        self.file = file
        self.line = line
        self.message = message

    def __reduce__(self) -> tuple[type[FileInvalid], tuple[str, int | None, str]]:
        return type(self), (self.file, self.line, self.message)


class UnknownName(UsageError):
    """There is no such check, baseline, review or device.

    Attributes:
        name: What was asked for.
        nearest: Up to three known names that look like it.

    Args:
        see: The command that lists them.
        brought: How one that is not there is brought.
    """

    def __init__(
        self, what: str, name: str, known: Iterable[str], see: str | None = None, brought: str | None = None
    ) -> None:
        self.name = name
        self.nearest = difflib.get_close_matches(name, sorted(known), n=3)
        hint = f"; did you mean {' or '.join(self.nearest)}?" if self.nearest else ""
        if not self.nearest and see:
            hint = f"; see `{see}`"
        hint += f"; {brought}" if brought else ""
        super().__init__(f"there is no {what} {clip(name)}{hint}")

    def __reduce__(self) -> Any:
        return _from_text, (type(self), str(self)), vars(self)


class StoreRefused(UsageError):
    """The store cannot be opened, is not ours, or cannot be written."""


class StoreHeld(StoreRefused):
    """Another process holds the store just now."""


class ScatteredMasks(UsageError):
    """Masks with gaps split a set into more parts than can be held exactly; the result would be a guess."""

    def __init__(self) -> None:
        super().__init__(
            "masks with gaps scatter this list over more parts than can be compared exactly; "
            "use fewer masks with gaps, or write blocks"
        )

    def __reduce__(self) -> tuple[type[ScatteredMasks], tuple[()]]:
        return type(self), ()


class MalformedReply(HardenprobeError):
    """A peer's bytes break the protocol.

    Attributes:
        offset: Where in the reply, in bytes, or None where that has no meaning.
    """

    def __init__(self, message: str, offset: int | None = None) -> None:
        super().__init__(message if offset is None else f"{message} at offset {offset}")
        self.offset = offset


class CeilingReached(HardenprobeError):
    """A device's ceiling would be passed; what is left unasked is `unknown`, reason `ceiling`."""


class Unreachable(HardenprobeError):
    """The peer refuses, is silent, or cut the line in the middle of an exchange.

    Attributes:
        state: "refusing", "silent", or "closed" for a line that was cut.
    """

    def __init__(self, message: str, state: str) -> None:
        super().__init__(message)
        self.state = state

    def __reduce__(self) -> tuple[type[Unreachable], tuple[str, str]]:
        return type(self), (str(self), self.state)


class LocalFault(HardenprobeError):
    """This machine cannot go on, which says nothing of a device: the visit is unfinished, and can be resumed."""


class ContractBroken(HardenprobeError, ValueError):
    """A check or a probe is not what it must be: says what it is and what was expected."""


def _from_text(cls: type[UnknownName], text: str) -> UnknownName:
    """Make one anew in another process, where the known names are not at hand."""
    return cls.__new__(cls, text)


def blame(error: BaseException, folder: str, otherwise: str = "") -> str:
    """Where in third-party files an error was raised, in brackets.

    Args:
        folder: That holds them.
        otherwise: What to say where it was raised outside of them.

    >>> blame(ValueError(), "/nowhere")
    ''
    """
    frames = [f for f in traceback.extract_tb(error.__traceback__) if f.filename.startswith(folder)]
    place = f"{frames[-1].filename}, line {frames[-1].lineno}" if frames else otherwise
    return f" ({place})" if place else ""


def clip(value: object, limit: int = 80) -> str:
    """Quote a value from outside for an error message: `repr`, cut at `limit` characters."""
    text = repr(value)
    return text if len(text) <= limit else text[: limit - 1] + "…"


class TimeLimitExceeded(BaseException):
    """The time is used up. No `Exception`, so that a loop which drops those does not drop this."""
