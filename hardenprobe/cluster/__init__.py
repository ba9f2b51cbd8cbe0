"""Scan from many vantage points: the shards of one job, sent to workers that stand where the devices can be reached."""

__all__ = ["attach", "certificates", "connection", "roster", "scheduler", "worker"]
