"""Check how well networked office devices are hardened at the network-protocol level, and prove it."""

__version__ = "0.1.0"
