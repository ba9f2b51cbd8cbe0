"""Who used which service of which device, read from captures, flow records and devices' own tables. Not one packet is sent, no
payload is kept.
"""

__all__ = ["collect", "device_tables", "files", "link_layer", "packet_file", "summary"]
