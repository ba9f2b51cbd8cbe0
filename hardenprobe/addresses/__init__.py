"""Exact sets of addresses, and lists of admitted sources compared with what is approved."""

__all__ = ["allow_list", "decision_diagram", "edges", "intervals", "lint", "list_files", "minimize", "sets"]
