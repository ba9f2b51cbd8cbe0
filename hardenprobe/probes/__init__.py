"""One module a protocol: observations in, nothing judged."""

__all__ = [
    "base",
    "discovery",
    "dns",
    "files",
    "packets",
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
