"""What is expected of which kind of device, and how a baseline is selected for a device."""

__all__ = ["baseline", "files", "lint", "provenance", "selection"]
