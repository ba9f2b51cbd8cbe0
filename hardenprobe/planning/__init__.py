"""Which addresses, ports and questions, in which order, from which vantage point: decided before a packet leaves."""
