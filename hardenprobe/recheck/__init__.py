"""Findings of a stored review asked again: the least that proves them, and what became of them."""

__all__ = ["outcome", "recheck"]
