"""A device's way into the fleet and out of it, and what happened to it in between."""

__all__ = ["acceptance", "checklist", "device_history", "device_lookup", "retirement"]
