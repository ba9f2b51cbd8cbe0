"""For authors of checks: a scaffold to start from, and a trial against the lab or stored observations."""

__all__ = ["scaffold", "starter_files", "trial"]
