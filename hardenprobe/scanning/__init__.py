"""Run a plan: sweep, visits, and what becomes of a probe that fails. Nothing is judged here."""

__all__ = [
    "engine",
    "group_round",
    "inputs",
    "job",
    "name_server",
    "other_addresses",
    "request",
    "run",
    "stoppable_scan",
]
