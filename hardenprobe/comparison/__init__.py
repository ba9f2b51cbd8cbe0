"""Two reviews beside each other: what changed, why, and how long each finding has been open."""

__all__ = ["acceptances", "comparable", "finding_state", "records", "standing", "stored", "timelines"]
