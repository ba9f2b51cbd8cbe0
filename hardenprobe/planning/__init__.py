"""Which addresses, ports and questions, in which order, from which vantage point: decided before a packet leaves."""

__all__ = ["group_links", "local_links", "plan", "recheck_plan", "vantage", "visit_order"]
