"""What a stored review keeps of what people decided and declared, so that it can be read without the ledger."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Lapsed:
    """A risk acceptance that no longer covers its finding, which is open again.

    Attributes:
        why: "expired on 2026-11-20", "ended on ...", or how the finding got worse than what was accepted.
    """

    id: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExceptionNote:
    """What a stored review keeps of an exception that covers one of its findings, or did once.

    Attributes:
        about: Check and device or tag, for people.
        compensating: Compensating controls until then.
        state: On the day of the review, such as "runs until 2026-12-10".
    """

    id: str
    about: str
    reason: str
    compensating: str
    requested_by: str
    approved_by: str
    starts: str
    until: str
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """A control that people answer for, and what was answered for some of the devices.

    Attributes:
        control: Id of standards/controls.py.
        controls: NIST SP 800-53 Rev. 5 control ids.
        required: The baseline wants it answered.
        state: answered, expired (or taken back), or unanswered; the fields below are None for the last.
        devices: Ids of those that it is so for.
        statement: Its id in the ledger.
        file, file_sha256: What was attached to it.
    """

    control: str
    question: str
    controls: tuple[str, ...]
    required: bool
    state: str
    devices: tuple[str, ...]
    statement: str | None = None
    answer: str | None = None
    words: str | None = None
    by: str | None = None
    made: str | None = None
    until: str | None = None
    method: str | None = None
    file: str | None = None
    file_sha256: str | None = None
