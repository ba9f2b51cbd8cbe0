"""What people decided and declared: risk acceptances, attestations, the register of devices. Append-only."""

__all__ = ["device_register", "entry", "exceptions", "inputs", "snapshot", "statements"]
