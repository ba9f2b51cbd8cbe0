"""Certificates and the path from a chain to a trust anchor."""
