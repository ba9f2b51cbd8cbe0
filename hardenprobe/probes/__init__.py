"""One module a protocol: observations in, nothing judged."""

__all__ = [
    "base",
    "discovery",
    "files",
    "pki",
    "printing",
    "question",
    "remote",
    "snmp",
    "ssh",
    "tcp",
    "tls",
    "web",
]
