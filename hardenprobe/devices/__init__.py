"""Which devices there are and which is which: inventory, identity, what a device states of itself, credentials."""

__all__ = ["credentials", "identity", "inventory", "matching", "self_description", "visit_notes"]
