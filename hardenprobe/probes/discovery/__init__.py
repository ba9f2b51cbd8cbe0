"""Datagram services that say who a device is."""
