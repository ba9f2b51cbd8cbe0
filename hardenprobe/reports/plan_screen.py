"""A remediation plan carried out on paper, for the terminal."""

from __future__ import annotations

from rich.console import Console

from hardenprobe.reports.plan_simulation import AffectedService, Open, Simulation, Step
from hardenprobe.reports.screen import Screen
from hardenprobe.reports.text import CAUTION, RISK_NOTE, counted, visible

_NAMED = 6  # devices of a step that are locked out


def show(simulation: Simulation, console: Console) -> None:
    """Print what each step leaves open, whom it affects, and what it takes away."""
    _Screen(console).show(simulation)


class _Screen(Screen):
    def show(self, simulation: Simulation) -> None:
        self._line(
            f"Plan of review {simulation.review}, {counted(simulation.until, 'step')}; nothing is changed.",
            "bold",
        )
        self._line(f"Before: {_open(simulation.before)}")
        for step in simulation.steps:
            self._step(step)
        self._heading("What clients lose")
        if not simulation.known_use:
            self._line(
                "Not determined: no capture or flow record is kept; `hardenprobe usage add` reads them."
            )
        elif not simulation.clients:
            self._line("No use of these services was seen in what is covered.")
        for client, services in simulation.clients.items():
            self._line(visible(client), "bold")
            for one in services:
                self._loss(one)
        self._heading("Caution")
        self._line(RISK_NOTE, "dim")
        self._line(CAUTION)

    def _loss(self, one: AffectedService) -> None:
        number = counted(one.conversations, "conversation")
        self._line(
            f"{one.service} on {visible(one.device)}, step {one.step}: {visible(one.change)} ({number}, last {one.last[:10]})",
            indent=2,
        )
        self._line(f"Loses: {visible(one.loses)}", indent=4)

    def _step(self, step: Step) -> None:
        self._line(f"{step.number:>2} {visible(step.title)}", "bold", hang=3)
        self._line(
            f"{counted(len(step.devices), 'device')}, closes {counted(step.closes, 'finding')}; then {_open(step.after)}",
            indent=3,
        )
        if step.prerequisites:
            self._line(f"After {', '.join(step.prerequisites)}", indent=3)
        if step.not_before:
            self._line(f"Out of order: {', '.join(step.not_before)} must come first", indent=3)
        if step.locked_out:
            named = ", ".join(step.locked_out[:_NAMED])
            more = f" and {len(step.locked_out) - _NAMED:,} more" if len(step.locked_out) > _NAMED else ""
            self._line(
                f"Locks the administrator out of {named}{more}: only the control panel is left",
                "bold",
                indent=3,
            )
        for line in step.users:
            self._line(line, indent=3)


def _open(now: Open) -> str:
    counts = ", ".join(f"{number:,} {word}" for word, number in now.findings.items())
    return f"{counts} open, risk {now.risk:,.1f}"
