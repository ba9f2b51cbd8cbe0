"""SSH before authentication: identification, algorithms, host keys."""
