"""Run a plan: sweep, visits, and what becomes of a probe that fails. Nothing is judged here."""
