"""The packets of one scan in a pcap file that holds no secret."""
