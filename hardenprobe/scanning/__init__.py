"""Run a plan: sweep, visits, and what becomes of a probe that fails. Nothing is judged here."""

__all__ = ["engine", "inputs", "job", "other_addresses", "request", "run", "sweep"]
