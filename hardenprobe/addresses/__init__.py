"""Exact sets of addresses, and lists of admitted sources compared with what is approved."""
