"""The only doors to the network: the link to a device, sweep sockets, the audit hook behind them, rate limits, capture."""
