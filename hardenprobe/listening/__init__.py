"""What captured traffic shows of the devices of an inventory, as the observations that a scan makes. Not one packet is sent."""

__all__ = ["run"]
