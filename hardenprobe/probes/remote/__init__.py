"""Remote terminals and screens: Telnet, RFB."""
