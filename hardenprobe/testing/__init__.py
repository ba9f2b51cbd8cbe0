"""For tests, ours and those of plug-ins: builders, a line that replays bytes, the contract of a check, devices of the lab.

Nothing here needs pytest but `hardenprobe.testing.fixtures`, which a `conftest.py` names in its `pytest_plugins`.
"""

from __future__ import annotations

from hardenprobe.testing.builders import HOSTILE, at, declared, seen_device, snmp_answer, tcp_port
from hardenprobe.testing.contract import complaints
from hardenprobe.testing.files import load
from hardenprobe.testing.replay import Replay, answers
from hardenprobe.testing.sample import sample_review

__all__ = [
    "HOSTILE",
    "Replay",
    "answers",
    "at",
    "complaints",
    "declared",
    "load",
    "sample_review",
    "seen_device",
    "snmp_answer",
    "tcp_port",
]
