"""Where checks and probes come from, the contract that they keep, and the time that they may take."""
