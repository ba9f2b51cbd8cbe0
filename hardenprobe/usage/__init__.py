"""Who used which service of which device, read from captures and flow records. Not one packet is sent, no payload is kept."""

__all__ = ["collect", "files", "link_layer", "packet_file", "summary"]
