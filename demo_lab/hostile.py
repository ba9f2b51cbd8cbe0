"""The hostile lab as a table: what each device does, and what a scan answers."""

from __future__ import annotations

from hardenprobe.demo_lab.declarations import Virtual, load
from hardenprobe.demo_lab.process import HOSTILE

ADDRESSES = "127.78.0.1-127.78.0.102"
"""What is to be scanned; beyond it is a witness that must not be reached."""


def attackers() -> tuple[Virtual, ...]:
    """The devices that attack."""
    return tuple(d for d in load(HOSTILE) if d.lab and d.lab.attack)


def table() -> str:
    """The attackers as a table in Markdown, as DEVELOPERS.md shows it."""
    rows = ["| device | what it does | what a scan answers |", "|---|---|---|"]
    for device in attackers():
        assert device.lab is not None
        answers = ", ".join(f"`{check}` {' or '.join(words)}" for check, words in device.lab.answers.items())
        rows.append(f"| {device.listed.asset_tag} | {device.lab.attack} | {answers} |")
    return "\n".join(rows) + "\n"
