"""What a check must say of an SNMP write that puts a value back as it was read, for tests."""

from __future__ import annotations

from typing import Any

from hardenprobe.facts import SnmpWriteBack
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at
from support.branches import Branch


def attempt(status: int | None = 0, *, origin: str, **more: Any) -> Observation[Any]:
    """Make the observation of one attempt with a community; it was read, written, and read again.

    Args:
        status: The error-status of the answer; None where there was none.
        more: Other fields of SnmpWriteBack.
    """
    given = {"read": True, "written": True, "same": True, "state": State.ACCEPTING, **more}
    facts = SnmpWriteBack(version="2c", label="a label", origin=origin, error_status=status, **given)
    return at(161, facts, transport="udp", protocol="snmp")


def branches(origin: str) -> dict[str, Branch]:
    """Every branch of communities of one origin, by name; that of none is the check's own."""

    def tried(word: Word, status: int | None, says: str = "", **more: Any) -> Branch:
        reason = Reason.INCONCLUSIVE if word is Word.UNKNOWN else None
        one = attempt(status, origin=origin, **more)
        return Branch(observations=(one,), word=word, reason=reason, says=says)

    return {
        "noError": tried(Word.FAIL, 0),
        "noError, not read again": tried(Word.FAIL, 0, same=None),
        "noError, and the value reads differently": tried(Word.FAIL, 0, "DIFFERENTLY", same=False),
        "authorizationError": tried(Word.PASS, 16),
        "noAccess is about this object": tried(Word.UNKNOWN, 6),
        "notWritable": tried(Word.UNKNOWN, 17),
        "readOnly": tried(Word.UNKNOWN, 4),
        "genErr": tried(Word.UNKNOWN, 5),
        "noSuchName": tried(Word.UNKNOWN, 2),
        "no answer": tried(Word.UNKNOWN, None, state=State.SILENT),
        "not readable": tried(Word.UNKNOWN, None, read=False, written=False),
    }
