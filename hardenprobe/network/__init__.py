"""The only doors to the network: the link to a device, sweep sockets, the audit hook behind them, rate limits, capture."""

__all__ = [
    "audit_hook",
    "backoff",
    "budget",
    "capture",
    "echo",
    "group",
    "link",
    "name_server",
    "ntp",
    "rate_limit",
    "round_trip",
    "scapy_loader",
    "sockets",
    "stream",
    "sweep_sockets",
]
