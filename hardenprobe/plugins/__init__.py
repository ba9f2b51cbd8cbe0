"""Where checks and probes come from, the contract that they keep, and the time that they may take."""

__all__ = ["contract", "probe_share", "registry", "sources", "time_limit"]
